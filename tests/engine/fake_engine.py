"""A UCI engine with one flaw, for what a real engine cannot be made to do: fake_engine.py FLAW FOLDER."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import chess


def main(flaw: str, folder: Path) -> None:
    if flaw == "exits":
        say("cannot load the network")
        raise SystemExit(1)
    board = chess.Board()
    for line in sys.stdin:
        words = line.split()
        if words[0] == "uci":
            say("id name Fake 1", "uciok")
        elif words[0] == "isready":
            say("readyok")
        elif words[0] == "position":
            board = chess.Board() if words[1] == "startpos" else chess.Board(" ".join(words[2:]))
        elif words[0] == "go":
            say(*answer(flaw, folder, board, words))
        elif words[0] == "quit":
            return


def say(*lines: str) -> None:
    """Speak as an engine does."""
    sys.stdout.write("".join(f"{line}\n" for line in lines))
    sys.stdout.flush()


def is_fatal(flaw: str, board: chess.Board, held_to: list[str]) -> bool:
    """Whether this is the search over which such an engine dies: after Na3, or held to Qf3."""
    knight = chess.Piece(chess.KNIGHT, chess.WHITE)
    after_na3 = board.turn == chess.BLACK and board.piece_at(chess.A3) == knight
    return after_na3 if flaw == "dies-over-Na3" else flaw == "dies-over-Qf3" and held_to == ["h5f3"]


def answer(flaw: str, folder: Path, board: chess.Board, words: list[str]) -> list[str]:
    nodes = int(words[2])
    allowed = words[4:] or [move.uci() for move in board.legal_moves]
    move = min(allowed)
    said = f"info depth 5 score cp 20 nodes {nodes} pv {move}"
    if flaw == "illegal":
        return [said, "bestmove e1e8"]
    if flaw == "illegal-line":
        return [f"{said} e1e8", f"bestmove {move}"]
    if flaw == "none":
        return [said, "bestmove (none)"]
    if flaw == "silent":
        return [f"bestmove {move}"]
    if flaw == "short":
        return [f"info depth 1 score cp 20 nodes 1 pv {move}", f"bestmove {move}"]
    if flaw == "unrestricted" and words[4:]:
        other = next(one.uci() for one in board.legal_moves if one.uci() not in allowed)
        return [f"info depth 5 score cp 20 nodes {nodes} pv {other}", f"bestmove {other}"]
    if is_fatal(flaw, board, words[4:]) and not (folder / "mended").exists():
        raise SystemExit(1)
    if flaw == "dies-once" and not (folder / "died").exists():
        (folder / "died").touch()
        raise SystemExit(1)
    if flaw == "hangs-once" and not (folder / "hung").exists():
        (folder / "hung").touch()
        time.sleep(600)
    return [said, f"info depth 6 score cp 90 lowerbound nodes {nodes + 7} pv {move}", f"bestmove {move}"]


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
