"""`miner game`: a model game with comments and stops, on the terminal, as PGN and to print."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from miner.bars import printable
from miner.cli import options
from miner.cli.boards import FIGURINES, board_diagram, side_by_side, width_of_terminal, wrapped
from miner.cli.findings import say_if_out_of_date
from miner.cli.lesson import Figurines, Language, PaperSize
from miner.cli.options import ENGINES, GivenMeans, MeansOf
from miner.cli.terminal import have_letters_for, is_coloured, say
from miner.finding.words import counted
from miner.game.made import CHOSEN, NODES, SUFFIXES, make_games
from miner.game.notes import Told
from miner.game.phrases import stop_words
from miner.game.stops import Stop, answer_words, hint_words, question_words, to_move_words, why_words
from miner.game.story import introduction, story, title, whom
from miner.lesson.phrases import ENGLISH, Tongue
from miner.lesson.sheets import Looks, Paper
from miner.store import Store
from miner.terms import alternatives

_ENGLISH = Tongue.of(ENGLISH)


def game(
    *,
    store: options.StoreDir,
    number: Annotated[
        int | None,
        typer.Argument(
            metavar="NUMBER", help="A model game, by its number in the store as `miner show` has it."
        ),
    ] = None,
    top: Annotated[int, typer.Option(min=1, help="Without a NUMBER: how many games are chosen.")] = CHOSEN,
    side: options.SideOption = None,
    bands: options.Bands = None,
    to: Annotated[
        list[Path] | None,
        typer.Option(metavar="FILE", help=f"Write {alternatives(SUFFIXES)}. May be given again."),
    ] = None,
    nodes: Annotated[
        int, typer.Option(min=1, help="Nodes of the first look at each position; more where it counts.")
    ] = NODES,
    paper: PaperSize = None,
    language: Language = None,
    figurines: Figurines = False,
    letters: Annotated[
        bool, typer.Option("--letters", help="Letters on the board instead of figurines.")
    ] = False,
    means: Annotated[GivenMeans, MeansOf((*ENGINES, "cluster"))],
) -> None:
    """Show how a model game is won: what was given away, only moves, the plan, and stops to ask pupils at.

    Without a NUMBER, some games are chosen that are worth showing. May be stopped and started again: what was
    searched is kept.
    """
    opened = Store.open(store)
    say_if_out_of_date(opened)
    looks = Looks(tongue=Tongue.of(language or ENGLISH, figurines=figurines), paper=paper or Paper.A4)
    with means() as ready:
        made = make_games(
            opened, number, to or [], looks, ready, top=top, side=side, bands=bands or (), nodes=nodes
        )
    if not made.told:
        say("No model game is worth showing: nowhere was one move of the winner alone good.")
        return
    unicode = not letters and have_letters_for(FIGURINES)
    typer.echo(
        "\n\n\n".join("\n".join(game_lines(one, width_of_terminal(), unicode=unicode)) for one in made.told)
    )
    for file in made.files:
        say(f"wrote {file} ({counted(len(made.told), 'game')})")


def game_lines(told: Told, width: int, *, unicode: bool = True) -> list[str]:
    """A game in lines: which it is and why, its moves with comments, then the stops with their boards."""
    lines = [title(told), *wrapped(printable(whom(told)), width), *wrapped(introduction(told), width), ""]
    for part in story(told, _ENGLISH):
        lines += wrapped(part.moves, width)
        lines += wrapped(part.said, width, "    ") if part.said else []
        if part.stop:
            lines += wrapped(f"[{stop_words(_ENGLISH, 'stop', number=part.stop.number)}]", width, "    ")
    blocks = [_stop_lines(stop, unicode) for stop in told.stops]
    lines += ["", *side_by_side(blocks, width)] if blocks else []
    answers = [
        f"{stop_words(_ENGLISH, 'stop', number=stop.number)}: {answer_words(stop, _ENGLISH)}. "
        f"{why_words(stop, _ENGLISH)}"
        for stop in told.stops
    ]
    return [*lines, *([""] if answers else []), *(line for one in answers for line in wrapped(one, width))]


def _stop_lines(stop: Stop, unicode: bool) -> list[str]:
    board = board_diagram(
        stop.board, orientation=stop.board.turn, color=is_coloured(), unicode=unicode
    ).splitlines()
    name = stop_words(_ENGLISH, "stop", number=stop.number)
    said = (
        f"{name}: {to_move_words(stop, _ENGLISH)}.",
        question_words(stop, _ENGLISH),
        hint_words(stop, _ENGLISH),
    )
    return [*board, *(line for one in said for line in wrapped(printable(one), 29))]
