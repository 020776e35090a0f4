"""A course in sentences, each computed: what a move does, what it scores, how often a line comes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import chess

from miner.board.moves import develops, line_san
from miner.board.settle import VALUES
from miner.course.contents import Chapter, Course, Idea
from miner.course.lines import LEAST_CHAPTER, LEAST_GAMES, LEAST_SHARE, Node, covered
from miner.finding.words import (
    agreeing,
    band_words,
    counted,
    joined,
    numbered_sans,
    percent,
    plan_words,
)
from miner.steer import Advice
from miner.steer.written import pawns, points

SURE_GAMES = 10
"""Games of the band with a reply from which it is not told how often others have played it."""
CENTRE = chess.SquareSet([chess.D4, chess.E4, chess.D5, chess.E5])


def in_100(share: float) -> str:
    """A share (0 to 1) of the games.

    >>> in_100(0.234), in_100(0.016), in_100(0.0001)
    ('23 of 100 games', '1.6 of 100 games', 'fewer than 0.1 of 100 games')
    """
    number = 100 * share
    if number >= 9.95:
        return f"{number:.0f} of 100 games"
    return f"{number:.1f} of 100 games" if number >= 0.05 else "fewer than 0.1 of 100 games"


def way_words(advice: Advice, node: Node) -> str:
    """The moves from the start of the game to a position of the course, numbered."""
    return numbered_sans(line_san(chess.Board(), (*advice.first_moves, *node.line)).split())


def move_words(advice: Advice, node: Node) -> str:
    """The last move of a line with its number."""
    sans = line_san(chess.Board(), (*advice.first_moves, *node.line)).split()
    return numbered_sans(sans[-1:], len(sans) - 1)


def board_of(advice: Advice, node: Node) -> chess.Board:
    """The position at the end of a line."""
    board = chess.Board()
    for move in (*advice.first_moves, *node.line):
        board.push(move)
    return board


def deed_words(board: chess.Board, move: chess.Move) -> str:
    """What a legal move does, as far as the board itself shows it; empty: nothing of these.

    >>> deed_words(chess.Board(), chess.Move.from_uci("e2e4"))
    'puts a pawn into the centre'
    """
    piece = board.piece_at(move.from_square)
    assert piece is not None, f"{move} moves nothing"
    after = board.copy(stack=False)
    after.push(move)
    deeds = []
    if board.is_castling(move):
        deeds.append(f"castles {'short' if board.is_kingside_castling(move) else 'long'}")
    elif board.is_capture(move):
        taken = board.piece_type_at(move.to_square) or chess.PAWN
        deeds.append(f"takes a {chess.piece_name(taken)}")
    elif develops(board, move):
        deeds.append(f"develops a {chess.piece_name(piece.piece_type)}")
    elif piece.piece_type == chess.PAWN and move.to_square in CENTRE:
        deeds.append("puts a pawn into the centre")
    if after.is_check():
        deeds.append("gives mate" if after.is_checkmate() else "gives check")
    if attacked := _attacks(board, after, move):
        deeds.append(f"attacks {' and '.join(attacked)}")
    return ", ".join(deeds)


def _attacks(board: chess.Board, after: chess.Board, move: chess.Move) -> list[str]:
    """The men that the moved one now attacks and did not before: worth more, or not covered often enough."""
    us, now = board.turn, after.piece_at(move.to_square)
    assert now is not None
    before = board.attacks(move.from_square)
    found = []
    for square in after.attacks(move.to_square) & after.occupied_co[not us]:
        kind = after.piece_type_at(square)
        assert kind is not None
        is_free = len(after.attackers(not us, square)) < len(after.attackers(us, square))
        is_worth_more = kind != chess.KING and VALUES[kind] > VALUES[now.piece_type]
        if kind != chess.KING and square not in before and (is_free or is_worth_more):
            found.append(f"the {chess.piece_name(kind)} on {chess.square_name(square)}")
    return found


def coverage_sentence(course: Course) -> str:
    """How many lines cover how much of the games, to the last move at which they still cover half of them."""
    curve = covered(course.root)
    if not curve:
        return "No reply comes often enough to be taught."
    plies, share, lines = next((one for one in reversed(curve) if one[1] >= 0.5), curve[0])
    move = (len(course.advice.first_moves) + plies + 1) // 2
    covers = agreeing(lines, "covers", "cover")
    whole = course.root.ends
    return (
        f"{counted(lines, 'line')} {covers} {in_100(share)} to move {move}; to their ends, "
        f"{counted(len(whole), 'line')} {agreeing(len(whole), 'covers', 'cover')} "
        f"{in_100(sum(end.share for end in whole))}, and all others leave the course on the way."
    )


def intro_sentences(course: Course) -> list[str]:
    """For whom it is, what it is worth, what it rests on."""
    advice = course.advice
    value, low, high = (points(share) for share in advice.value)
    theirs = advice.tallied.games(advice.root) if _turn(advice) != advice.side.color else 0
    seen = f"; {counted(theirs, 'game')} of theirs in the first position" if theirs else ""
    elsewhere = (
        "The moves are the repertoire's where it has any; elsewhere" if course.has_repertoire else "Our"
    )
    return [
        f"For {advice.side.capitalize()} against {band_words(advice.band)}{seen}.",
        f"{elsewhere} moves are those that score most against this band, by the lower bound, among all that "
        f"lose no more than {advice.settings.soundness:.2f} of a point to the engine's best.",
        f"If both play on like this, {value} points in 100 games are to be expected ({low} to {high}).",
        f"A reply is in the course if it comes in {LEAST_SHARE:.0%} of the games or more (one that begins a "
        f"chapter: {LEAST_CHAPTER:.0%}), was played in {LEAST_GAMES} games or more, and has an answer.",
    ]


def _turn(advice: Advice) -> chess.Color:
    return chess.Board(advice.tallied.positions[advice.root].fen).turn


def reason_sentence(chapter: Chapter, course: Course) -> str:
    """Why there is such a chapter: how often it comes, and what the band gives away there."""
    node, gain = chapter.node, chapter.value - chapter.price
    assert node.before is not None
    move, met = move_words(course.advice, node), course.advice.tallied.games(node.before)
    others = f"; players of other ratings played it in {counted(node.games - node.games_band, 'game')}"
    games = (
        f"{move} was played in {node.games_band} of the {counted(met, 'game')} of the band there"
        f"{others if node.games > node.games_band and node.games_band < SURE_GAMES else ''}"
    )
    # A share is reckoned along the whole way, and each step leans on all bands: so it is no count.
    comes = f"It is to be expected in {in_100(node.share)}"
    if gain * node.share < 0.0005:
        return f"{comes}: {games}. The band gives away next to nothing there: it is here because it comes."
    return (
        f"{comes}: {games}. We score {points(chapter.value)} points in 100 such games, against "
        f"{points(chapter.price)} after the best reply and best play: {points(gain * node.share)} of the "
        "points in 100 games of the opening are what the band gives away here."
    )


def our_sentences(course: Course, key: int, board: chess.Board) -> list[str]:
    """Our move in a position: what it does, its price, whether the band plays it, what the engine prefers."""
    best, *others = course.rows_at(key)
    move = numbered_sans([best.move], best.ply)
    deed = deed_words(board, chess.Move.from_uci(best.uci))
    sentences = [
        f"We play {move}{f': it {deed}' if deed else ''}.",
        score_sentence(best),
        known_sentence(course, best),
    ]
    if best.traps:
        sentences.append(f"What carries it above best play: {_traps_words(best)}.")
    engine = next((row for row in others if row.is_engine_choice), None)
    if engine is not None and pawns(engine.cp) != pawns(best.cp):
        sentences.append(
            f"The engine prefers {numbered_sans([engine.move], engine.ply)} ({pawns(engine.cp)} against "
            f"{pawns(best.cp)}); against this band that scores {points(engine.value)}."
        )
    return sentences


def _traps_words(row: Any) -> str:
    """The losing replies that carry a move, each with its share of what it scores above best play."""
    told = (trap.rpartition(" (") for trap in row.traps.split("; "))
    return "; ".join(f"{numbered_sans(line.split(), row.ply)} ({share}" for line, _, share in told)


def score_sentence(row: Any) -> str:
    """What a move of ours scores against the band, and at least."""
    if not row.games:
        return f"No answer of the band is known; by the engine it stands {pawns(row.cp)}."
    bounds = f"{points(row.value_low)} to {points(row.value_high)}"
    price = f"{points(row.price)} if they answer best"
    return (
        f"It scores {points(row.value)} points in 100 games ({bounds}; {price}; the engine: {pawns(row.cp)})."
    )


def known_sentence(course: Course, row: Any) -> str:
    """How often players of the band choose the move themselves."""
    games = course.advice.tallied.games(row.key)
    if not games:
        return "No player of the band was in this position."
    return f"The band itself plays it in {row.games_band:,} of {counted(games, 'game')} there."


def idea_words(idea: Idea) -> str:
    """An idea and how much of the chapter's games it is in.

    >>> idea_words(Idea(theme="castling", detail="castling short", from_square="", to_square="", share=0.8))
    'castles short (80%)'
    """
    row = {name: getattr(idea, name) for name in ("theme", "detail", "from_square", "to_square")}
    return f"{plan_words(row)} ({percent(idea.share)})"


def left_out_words(course: Course, rare: Sequence[Node], others: float) -> list[str]:
    """What the course leaves out, each with how often it comes."""
    told = [f"{way_words(course.advice, node)}: {in_100(node.share)}" for node in rare]
    rest = f"all others together, replies that nobody has played yet among them: {in_100(others)}"
    return [*told, rest] if others > 0 else told


def chapter_title(chapter: Chapter, advice: Advice) -> str:
    """Its number and the reply with which it begins, behind our move before it, e.g. Chapter 1: 4.Ng5 d5."""
    sans = line_san(chess.Board(), (*advice.first_moves, *chapter.node.line)).split()
    first = max(0, len(sans) - 2)
    return f"Chapter {chapter.number}: {numbered_sans(sans[first:], first)}"


def line_words(advice: Advice, chapter: Node, end: Node) -> str:
    """A line from the first move of its chapter on, with how often it comes."""
    sans = line_san(chess.Board(), (*advice.first_moves, *end.line)).split()
    first = len(advice.first_moves) + len(chapter.line) - 1
    return joined(numbered_sans(sans[first:], first))
