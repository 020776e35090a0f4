"""A course as files: a booklet to print, the same as a page of HTML, and its lines as PGN."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

import chess
import chess.pgn

from miner.course.contents import Chapter, Course
from miner.course.curve import coverage_svg
from miner.course.lines import Node, covered, left_out, our_positions
from miner.course.words import (
    board_of,
    chapter_title,
    coverage_sentence,
    idea_words,
    in_100,
    intro_sentences,
    left_out_words,
    line_words,
    move_words,
    our_sentences,
    reason_sentence,
    way_words,
)
from miner.draw.diagram import diagram_svg
from miner.draw.documents import package_text, page_bytes, pdf_bytes
from miner.export.pgn import games_bytes, tag_value
from miner.finding.finding import Finding
from miner.finding.words import (
    because_sentences,
    best_words,
    capital,
    chosen_sentence,
    counted,
    joined,
    numbered_sans,
    path_words,
    refutation_words,
    reply_words,
)
from miner.lesson.phrases import ENGLISH, PHRASES, Tongue
from miner.lesson.plan import PLAN_PLIES
from miner.lesson.sentences import question_words, solution_words, why_words
from miner.lesson.sheets import Looks
from miner.steer import Advice
from miner.steer.written import points

LEFT_OUT, LINES = 8, 8
"""Replies that are told to be left out, and lines of a chapter that are written out, the commonest first."""
_SHOWN = 7  # half-moves of a refutation
_ENGLISH = Tongue.of(ENGLISH)

Draw = Callable[[chess.Board, bool], str]
"""A board and the side at the bottom as SVG."""


def course_files(course: Course, looks: Looks) -> dict[str, bytes]:
    """The contents of a course's files by name; the same course gives the same bytes.

    Raises ExportError without the typesetter.
    """
    files = {"course.html": course_page(course, looks), "course.pgn": course_pgn(course)}
    if looks.pdf:
        files["course.pdf"] = course_pdf(course, looks)
    return files


def course_pdf(course: Course, looks: Looks) -> bytes:
    """The booklet on paper. Raises ExportError without the typesetter."""

    def draw(board: chess.Board, bottom: chess.Color) -> str:
        return diagram_svg(board, orientation=bottom, coordinates=looks.coordinates, hatched=looks.hatched)

    data = _data(course, looks, draw, None) | {
        "lang": ENGLISH,
        "page": PHRASES[ENGLISH].page,
        "paper": looks.paper.typst_name,
    }
    return pdf_bytes(["lesson/base.typ", "course/course.typ"], data, "miner")


def course_page(course: Course, looks: Looks) -> bytes:
    """The booklet as one page of HTML without scripts, which needs no network."""

    def draw(board: chess.Board, bottom: chess.Color) -> str:
        return diagram_svg(board, orientation=bottom, coordinates=looks.coordinates, label=board.fen())

    data = _data(course, looks, draw, "Share of the games that the course covers, by move")
    return page_bytes("course/course.html", {"course": data}, package_text("miner.course", "course.css"))


def _data(course: Course, looks: Looks, draw: Draw, label: str | None) -> dict[str, Any]:
    advice, bottom = course.advice, course.advice.side.color
    first = board_of(advice, course.root)
    curve = [((len(advice.first_moves) + plies + 1) // 2, share) for plies, share, _ in covered(course.root)]
    way = way_words(advice, course.root) or "the start position"
    moves = looks.tongue.moves
    return {
        "title": looks.title or f"Course: {moves(way)}",
        "subtitle": f"{advice.side.capitalize()}, {counted(len(course.chapters), 'chapter')}",
        "first": {"svg": draw(first, bottom), "alt": first.fen()},
        "intro": [moves(sentence) for sentence in intro_sentences(course)],
        "coverage": coverage_sentence(course),
        "curve": coverage_svg(curve, label) if curve else "",
        "left_out": [moves(one) for one in left_out_words(course, *left_out(course.root, LEFT_OUT))],
        "chapters": _chapters(course, looks, draw),
        "overview": [_row(chapter, course, moves) for chapter in course.chapters],
        "claims": [
            {"text": answer.claim.text, "verdict": answer.verdict, "why": moves(answer.why)}
            for answer in course.answers
        ],
    }


def _row(chapter: Chapter, course: Course, moves: Callable[[str], str]) -> dict[str, Any]:
    advice = course.advice
    title, score = moves(chapter_title(chapter, advice)), points(chapter.value)
    return {"title": title, "score": score, "lines": _lines(chapter, advice, moves)}


def _lines(chapter: Chapter, advice: Advice, moves: Callable[[str], str]) -> list[dict[str, str]]:
    """The commonest lines, and the share of those that are not written out."""
    ends = sorted(chapter.node.ends, key=lambda end: -end.share)
    shown, others = ends[:LINES], ends[LINES:]
    rows = [(moves(line_words(advice, chapter.node, end)), end.share) for end in shown]
    if others:
        rows.append((counted(len(others), "further line"), sum(end.share for end in others)))
    return [{"line": line, "share": in_100(share)} for line, share in rows]


def _chapters(course: Course, looks: Looks, draw: Draw) -> list[dict[str, Any]]:
    """The chapters; our moves on the way to one are told in the first that passes there."""
    told: set[tuple[chess.Move, ...]] = set()
    chapters = []
    for chapter in course.chapters:
        way = [one for one in our_positions(course.root, chapter.node) if one.line not in told]
        told |= {one.line for one in way}
        chapters.append(_chapter(chapter, way, course, looks, draw))
    return chapters


def _chapter(
    chapter: Chapter, way: Sequence[Node], course: Course, looks: Looks, draw: Draw
) -> dict[str, Any]:
    advice, bottom, moves = course.advice, course.advice.side.color, looks.tongue.moves
    board = board_of(advice, chapter.node)
    assert chapter.node.key is not None
    return {
        "title": moves(chapter_title(chapter, advice)),
        "line": moves(way_words(advice, chapter.node)),
        "reason": moves(reason_sentence(chapter, course)),
        "svg": draw(board, bottom),
        "alt": board.fen(),
        "ideas": [*(moves(idea_words(idea)) for idea in chapter.ideas)],
        "plans": [
            f"After {moves(reply_words(one))} the winners: {moves(', '.join(chapter.plans[one.reply]))}."
            for one in chapter.mistakes
            if one.reply in chapter.plans
        ],
        "ours": [
            moves(" ".join(our_sentences(course, one.key, board_of(advice, one))))
            for one in way
            if one.key is not None
        ],
        "lines": _lines(chapter, advice, moves),
        "mistakes": [_mistake(one, moves) for one in chapter.mistakes],
        "pitfalls": [_mistake(one, moves) for one in chapter.pitfalls],
        "motifs": chapter.motifs,
        "model": moves(_model_words(chapter)),
        "exercises": [
            {
                "name": f"Exercise {chapter.number}.{exercise.number}",
                "svg": draw(exercise.board, bottom),
                "alt": exercise.board.fen(),
                "question": question_words(exercise, looks.tongue.in_english),
                "answer": solution_words(exercise, looks.tongue.in_english),
                "why": why_words(exercise, looks.tongue.in_english),
            }
            for exercise in chapter.exercises
        ],
        "test": [
            {
                "name": f"Test {chapter.number}.{number}",
                "question": moves(f"After {_before(course, node)}: what do we play?"),
                "answer": moves(move_words(advice, node)),
            }
            for number, node in enumerate(chapter.tested, start=1)
        ],
    }


def _before(course: Course, node: Node) -> str:
    return way_words(course.advice, Node(None, None, 0.0, is_ours=False, line=node.line[:-1]))


def _mistake(finding: Finding, moves: Callable[[str], str]) -> dict[str, str]:
    shown = refutation_words(finding, _SHOWN)
    return {
        "name": moves(f"{reply_words(finding)}{finding.sign}"),
        "way": moves(f"after {path_words(finding)}"),
        "line": moves(shown),
        "why": moves(
            joined(because_sentences(finding), f"Better was {best_words(finding)}.", chosen_sentence(finding))
        ),
    }


def _model_words(chapter: Chapter) -> str:
    if chapter.model is None:
        return ""
    finding, game = chapter.model.finding, chapter.model.game
    more = " ..." if len(game.sans) > PLAN_PLIES else ""
    return (
        f"{capital(game.words())}, with {reply_words(finding)}{finding.sign} (`miner game "
        f"{chapter.model.number}` tells it): {numbered_sans(game.sans[:PLAN_PLIES])}{more}"
    )


def course_pgn(course: Course) -> bytes:
    """A game for each chapter: its lines as variations, with shares and our move's score as comments."""
    return games_bytes(_game(chapter, course) for chapter in course.chapters)


def _game(chapter: Chapter, course: Course) -> chess.pgn.Game:
    advice = course.advice
    game = chess.pgn.Game()
    game.headers["Event"] = tag_value(chapter_title(chapter, advice))
    game.headers["Round"] = str(chapter.number)
    game.comment = reason_sentence(chapter, course)
    node: chess.pgn.GameNode = game
    for move in (*advice.first_moves, *chapter.node.line):
        node = node.add_variation(move)
    node.comment = f"{in_100(chapter.node.share)}."
    for end, below in _added(node, chapter.node):
        rows = course.rows_at(end.key) if end.key is not None else []
        best = next((row for row in rows if row.is_recommended), None)
        if not end.is_ours and best is not None and end.children and below.variations:
            below.variations[0].comment = " ".join(our_sentences(course, best.key, below.board()))
    return game


def _added(game: chess.pgn.GameNode, node: Node) -> Iterator[tuple[Node, chess.pgn.GameNode]]:
    """Add what follows a position; gives each with its place in the game, after what follows it was added."""
    for child in node.children:
        assert child.move is not None
        below = game.add_variation(child.move)
        if not child.is_ours:
            below.comment = f"{in_100(child.share)}."
        yield from _added(below, child)
    yield node, game
