"""Model games to print: first the stops for the pupils, then the games with comments and answers."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from miner.draw.diagram import diagram_svg
from miner.draw.documents import pdf_bytes
from miner.game.notes import Told
from miner.game.phrases import stop_words
from miner.game.stops import Stop, answer_words, hint_words, question_words, to_move_words, why_words
from miner.game.story import introduction, name, story, title, whom
from miner.lesson.phrases import Tongue
from miner.lesson.sheets import Paper


def model_pdf(games: Iterable[Told], tongue: Tongue, paper: Paper = Paper.A4) -> bytes:
    """A page of stops for each game, in the pupils' language; then the game for the coach, in English.

    Raises ExportError without the typesetter.
    """
    data = {
        "title": stop_words(tongue, "title"),
        "subtitle": "",
        "lang": tongue.phrases.code,
        "page": tongue.phrases.page,
        "paper": paper.typst_name,
        "answers": tongue.phrases.answers,
        "games": [_game(told, tongue) for told in games],
    }
    return pdf_bytes(["lesson/base.typ", "game/game.typ"], data, "miner")


def _game(told: Told, tongue: Tongue) -> dict[str, Any]:
    return {
        "name": name(told),
        "title": title(told),
        "whom": whom(told),
        "introduction": tongue.moves(introduction(told)),
        "stops": [_stop(stop, tongue) for stop in told.stops],
        "parts": [
            {
                "moves": part.moves,
                "said": part.said,
                "stop": None if part.stop is None else _stop(part.stop, tongue.in_english),
            }
            for part in story(told, tongue)
        ],
    }


def _stop(stop: Stop, tongue: Tongue) -> dict[str, Any]:
    return {
        "name": stop_words(tongue, "stop", number=stop.number),
        "svg": diagram_svg(stop.board, orientation=stop.board.turn),
        "alt": stop.board.fen(),
        "to_move": to_move_words(stop, tongue),
        "question": question_words(stop, tongue),
        "hint": hint_words(stop, tongue),
        "answer": answer_words(stop, tongue),
        "why": why_words(stop, tongue),
    }
