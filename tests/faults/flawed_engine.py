"""A go-between with one flaw in front of a real engine: flawed_engine.py ENGINE FOLDER FLAW WHEN.

WHEN is `once` (the first search or, of a flaw at the start, the second start), `always`, `never`, `after N`
searches until there is a file `mended` in FOLDER, `restricted` (in searches of some moves only), or a move:
in searches of that move alone, and of positions, with all moves, that look as if it
had just been played. FOLDER is where searches and starts are counted.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO, NoReturn

MEGABYTE = 1 << 20
AT_THE_START = ("says no uciok", "exits", "greets without end", "starts slowly")


def main(engine: str, folder: Path, flaw: str, when: str) -> None:
    starts = _count(folder / "starts")
    with (folder / "groups").open("a", encoding="utf-8") as groups:
        groups.write(f"{os.getpgid(0)}\n")
    flawed = flaw in AT_THE_START and (when == "always" or (when == "once" and starts == 2))
    if flawed:
        _start_badly(flaw)
    fen = ""
    with subprocess.Popen([engine], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as real:
        assert real.stdin
        assert real.stdout
        for line in sys.stdin:
            word = line.split()[0]
            if word == "position":
                fen = line.partition(" fen ")[2]
            if word == "ucinewgame" and flaw == "is killed in between" and _is_time(line, folder, when, fen):
                _die(real)
            spoils = word == "go" and flaw not in AT_THE_START and _is_time(line, folder, when, fen)
            if spoils and flaw in BEFORE:
                BEFORE[flaw](real)
            if spoils and flaw == "ends early":
                line = re.sub(r"nodes \d+", "nodes 50", line)
            _tell(real.stdin, line)
            answer = _answer(real.stdout, word)
            if flaw == "tells no win/draw/loss":
                answer = [re.sub(r" wdl \d+ \d+ \d+", "", one) for one in answer]
            _say(*(AFTER[flaw](answer) if spoils and flaw in AFTER else answer))
            if word == "quit":
                return


def _count(file: Path) -> int:
    """How often this was asked of a file."""
    with file.open("a+", encoding="utf-8") as counted:
        counted.write("x")
    return file.stat().st_size


def _is_time(go: str, folder: Path, when: str, fen: str) -> bool:
    number = _count(folder / "searches")
    if when.startswith("after "):
        return number > int(when.split()[1]) and not (folder / "mended").exists()
    moves = go.split()[4:]
    return (
        when == "always"
        or (when == "once" and number == 1)
        or (when == "restricted" and bool(moves))
        or moves == [when]
        or (len(when) == 4 and when[3].isdigit() and bool(fen) and not moves and _looks_played(when, fen))
    )


def _looks_played(move: str, fen: str) -> bool:
    """Whether the move's first square is empty, and on its second stands a man of who is not to move."""
    placement, turn = fen.split()[:2]
    rows = re.sub(r"\d", lambda digit: " " * int(digit[0]), placement).split("/")[::-1]
    left, there = (rows[int(square[1]) - 1]["abcdefgh".index(square[0])] for square in (move[:2], move[2:]))
    return left == " " and (there.isupper() if turn == "b" else there.islower())


def _tell(engine: IO[str], line: str) -> None:
    engine.write(line)
    engine.flush()


def _answer(engine: IO[str], word: str) -> list[str]:
    """The lines up to the one that ends the answer to a command."""
    last = {"uci": "uciok", "isready": "readyok", "go": "bestmove"}.get(word)
    lines: list[str] = []
    while last and not (lines and lines[-1].startswith(last)):
        line = engine.readline()
        if not line:
            raise SystemExit(1)
        lines.append(line)
    return lines


def _say(*lines: str) -> None:
    sys.stdout.write("".join(lines))
    sys.stdout.flush()


def _start_badly(flaw: str) -> None:
    if flaw == "exits":
        _say("cannot load the network\n")
        raise SystemExit(1)
    if flaw == "greets without end":
        os.execvp("seq", ["seq", "-f", "option name Option %.0f type string default some", "99999999"])
    if flaw == "starts slowly":
        time.sleep(2.0)
    if flaw == "says no uciok":
        _say("id name Some 1\n")
        time.sleep(600)


def _die(real: subprocess.Popen[str]) -> NoReturn:
    os.killpg(0, signal.SIGKILL)
    raise AssertionError


def _stop(real: subprocess.Popen[str]) -> None:
    real.send_signal(signal.SIGSTOP)


def _flood(real: subprocess.Popen[str]) -> NoReturn:
    os.execvp("yes", ["yes", "info depth 5 multipv 1 score cp 20 nodes 50 pv e2e4"])


def _never_end_a_line(real: subprocess.Popen[str]) -> NoReturn:
    while True:
        _say("info string " + MEGABYTE * "x")


BEFORE: dict[str, Callable[[subprocess.Popen[str]], None]] = {
    "is killed": _die,
    "hangs": _stop,
    "floods": _flood,
    "says a line without end": _never_end_a_line,
}
"""What is done before the engine hears of the search."""


def _with_best(move: str) -> Callable[[list[str]], list[str]]:
    return lambda answer: [*answer[:-1], f"bestmove {move}".rstrip() + "\n"]


def _with(old: str, new: str) -> Callable[[list[str]], list[str]]:
    return lambda answer: [re.sub(old, new, line) for line in answer]


def _as_bound(line: str) -> str:
    return re.sub(r" score (cp|mate) -?\d+", " score cp 900 lowerbound", line)


AFTER: dict[str, Callable[[list[str]], list[str]]] = {
    "says a line of 10 MB": lambda answer: [f"info depth 1 pv{2 * MEGABYTE * ' e2e4'}\n", *answer],
    "plays an illegal move": _with_best("a1h8"),
    "castles where it cannot": _with_best("e1h1"),
    "castles in letters": _with_best("O-O"),
    "plays no move": _with_best("(none)"),
    "says half a bestmove": _with_best(""),
    "says no bestmove": lambda answer: answer[:-1],
    "tells no score": lambda answer: answer[-1:],
    "tells nodes beyond reason": _with(r" nodes \d+", f" nodes {10**30}"),
    "tells a depth beyond reason": _with(r"depth \d+", f"depth {10**30}"),
    "tells a time beyond reason": _with(r" time \d+", f" time {10**400}"),
    "tells a mate beyond reason": _with(r" score (cp|mate) -?\d+", f" score mate {10**30}"),
    "tells a score that is no number": _with(r" score (cp|mate) -?\d+", " score cp nan"),
    "tells bounds only": _with(r" score ((cp|mate) -?\d+)", r" score \1 upperbound"),
    "tells centipawns beyond reason": _with(r" score (cp|mate) -?\d+", " score cp -20001"),
    "lies of a mate": _with(r" score (cp|mate) -?\d+", " score mate 1"),
    "lies of being mated": _with(r" score (cp|mate) -?\d+", " score mate -1"),
    "lies of a mate on the board": _with(r" score (cp|mate) -?\d+", " score mate 0"),
    "lies of a mate without its line": _with(
        r" score (cp|mate) -?\d+(.*) pv (\S+).*", r" score mate 9\2 pv \3"
    ),
    # What follows is no fault: the verdict is as without it.
    "cuts lines short": _with(r" pv (\S+).*", r" pv \1"),
    "ends with a bound": lambda answer: [*answer[:-1], _as_bound(answer[-2]), answer[-1]],
    "tells of many lines": lambda answer: [f"info depth 9 multipv {10**9} score cp 1 nodes 1\n", *answer],
    "chatters": lambda answer: [*(5000 * ["info string still thinking\n", "hello\n", "\n"]), *answer],
}
"""What is done with the answer to a search."""


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), sys.argv[3], sys.argv[4])
