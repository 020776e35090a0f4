"""What somebody claims of an opening, against the games of a band: true or not, or not to be told."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import chess
import chess.polyglot
import numpy as np

from miner import stats
from miner.board.moves import pack, unpack_move
from miner.errors import UsageError
from miner.finding.words import band_words, between, capital, counted, numbered_sans, percent
from miner.steer import Advice
from miner.steer.expectimax import Choice, TheirPosition, after_reply, steps_of
from miner.terms import expected_score

LOSES, SOUND = 0.10, 0.05
"""Expected score (0 to 1) from which a move is bad, and up to which it is good, by the engine."""
FIRST_LOOK = 100_000
"""Nodes below which a verdict is the screen's, which later budgets may overturn."""
FEWEST = 5
"""Games of the band in the position below which nothing is told of what most of them do."""
TRUE, FALSE, UNKNOWN = "True", "Not true", "Not to be told from these games"

_FORMS = "write 'MOVES: Bg4 is bad', 'MOVES: Bg4 is good', 'MOVES: most take' or 'MOVES: most play Bg4'"
_JUDGED = re.compile(r"(?:\d+\.+)?(?P<san>\S+) (?:is|are) (?P<word>bad|good|a mistake|sound)")
_MOST = re.compile(r"most (?P<what>take|castle|check|(?:play|choose) (?:\d+\.+)?(?P<san>\S+))")


@dataclass(frozen=True, slots=True)
class Claim:
    """A line of a file of claims: the position it is about, and what is said of it."""

    text: str
    board: chess.Board
    move: chess.Move | None  # that is judged, or that most play
    says: str  # bad, good, play, take, castle or check; empty: what is not understood


@dataclass(frozen=True, slots=True)
class Answer:
    """What the games and the engine say of a claim."""

    claim: Claim
    verdict: str
    why: str


def read_claims(text: str) -> list[Claim]:
    """The claims of a file, one a line; empty lines and such as begin with # are passed over.

    Raises UsageError for a line whose moves cannot be played.
    """
    lines = ((number, line.strip()) for number, line in enumerate(text.splitlines(), start=1))
    return [_claim(line, number) for number, line in lines if line and not line.startswith("#")]


def _claim(line: str, number: int) -> Claim:
    moves, _, said = line.rpartition(":")
    said = said.strip().rstrip(".!")
    board = chess.Board()
    try:
        for word in moves.split():
            if san := word.rsplit(".", 1)[-1]:
                board.push_san(san)
        if found := _JUDGED.fullmatch(said):
            says = "bad" if found["word"] in ("bad", "a mistake") else "good"
            return Claim(line, board, board.parse_san(found["san"]), says)
        if found := _MOST.fullmatch(said):
            move = board.parse_san(found["san"]) if found["san"] else None
            return Claim(line, board, move, "play" if move else found["what"])
    except ValueError as error:
        raise UsageError(f"line {number} of the claims cannot be played: {error}", advice=_FORMS) from error
    return Claim(line, board, None, "")


def answer_of(claim: Claim, advice: Advice) -> Answer:
    """A claim held against the games of the band and the verdicts of judge and engine."""
    tallied, band = advice.tallied, advice.band
    if not claim.says:
        return Answer(claim, UNKNOWN, f"Games and engine can be asked for less: {_FORMS}.")
    key = chess.polyglot.zobrist_hash(claim.board)
    if key not in tallied.positions:
        return Answer(claim, UNKNOWN, "Too few games reach the position.")
    games = tallied.games(key)
    played = {one.move: one.games_band for one in tallied.played.get(key, ())}
    if claim.says in ("bad", "good"):
        assert claim.move is not None
        move = numbered_sans([claim.board.san(claim.move)], claim.board.ply())
        chosen = played.get(pack(claim.move), 0)
        often = f"{capital(band_words(band))} chose {move} in {chosen:,} of {counted(games, 'game')} there."
        return _judged(claim, loss_of(advice, key, pack(claim.move)), often)
    there = {unpack_move(move): number for move, number in played.items()}
    return _most(claim, there, games, band, advice.settings.confidence)


def loss_of(advice: Advice, key: int, move: int) -> tuple[float, int] | None:
    """Expected score (0 to 1) that a move gives away by the engine's rule, and the nodes of the verdict.

    None: neither did the judge look at it, nor was it searched on the way.
    """
    if verdict := advice.tallied.judged.get(key, {}).get(move):
        loss = expected_score(verdict.cp_best) - expected_score(verdict.cp_reply)
        return max(0.0, loss), verdict.nodes
    position = advice.tree.get(key)
    for step in () if position is None else steps_of(position):
        if step.move != move or position is None:
            continue
        if isinstance(step, Choice):
            return step.loss, advice.settings.nodes
        if isinstance(position, TheirPosition) and (step.cp is not None or step.child in advice.tree):
            after = after_reply(advice.tree, position, step)
            return expected_score(after) - expected_score(position.cp), advice.settings.nodes
    return None


def _judged(claim: Claim, verdict: tuple[float, int] | None, often: str) -> Answer:
    if verdict is None:
        return Answer(claim, UNKNOWN, f"{often} No engine has looked at it.")
    loss, nodes = verdict
    told = f"By the engine ({nodes:,} nodes) it gives away {loss:.2f} of a point. {often}"
    if loss > SOUND and nodes < FIRST_LOOK:
        return Answer(claim, UNKNOWN, f"{told} That was a first look only.")
    if SOUND < loss < LOSES:
        bounds = f"bad begins at {LOSES:.2f}, good ends at {SOUND:.2f}"
        return Answer(claim, UNKNOWN, f"{told} That lies between: {bounds}.")
    return Answer(claim, TRUE if (loss >= LOSES) == (claim.says == "bad") else FALSE, told)


def _most(claim: Claim, there: Mapping[chess.Move, int], games: int, band: str, confidence: float) -> Answer:
    board = claim.board
    fits = {
        "take": board.is_capture,
        "castle": board.is_castling,
        "check": board.gives_check,
        "play": claim.move.__eq__,
    }[claim.says]
    chose = sum(number for move, number in there.items() if fits(move))
    if games < FEWEST:
        return Answer(claim, UNKNOWN, f"Only {counted(games, 'game')} of {band_words(band)} are there.")
    low, high = (
        float(bound[0])
        for bound in stats.share_interval(np.array([chose]), np.array([games]), confidence=confidence)
    )
    share = f"{percent(chose / games)} ({between(low, high)})"
    why = f"{chose:,} of {counted(games, 'game')} of {band_words(band)}: {share}."
    if low <= 0.5 <= high:
        return Answer(claim, UNKNOWN, f"{why} It may be more than half or less.")
    return Answer(claim, TRUE if low > 0.5 else FALSE, why)
