"""What both notebooks share: a store of the sample, quiet plots, and diagrams as printed books have them."""

from __future__ import annotations

import html
import os
import re
import tempfile
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import chess
import matplotlib.pyplot as plt
import pandas as pd
from IPython.display import SVG, Markdown, display
from matplotlib.axes import Axes

from miner import Means, MinerError, Settings, Store, diagram_svg, find_engine, mine, sample

ROOT = Path(__file__).resolve().parent.parent
SAMPLE = sample()
VARIABLE = "MINER_NOTEBOOK_STORE"

INK, QUIET, LINE, PAPER = "#1d1b18", "#6b665d", "#cfc9bc", "#ffffff"
HUE, HALF, TINT = "#8a2a1c", "#c58a7c", "#ecd6cf"
"""One hue for what is told, in three strengths; grey for what it is compared with."""

WIDTH = 7.2  # of a plot, inches
_GAP = 28  # between diagrams
_CAPTION, _CAPTION_LINE, _LETTER = (
    14,
    19,
    8.3,
)  # size and distance of a caption's lines, and what a letter takes
_NAME = 60  # what the name of a point takes beside it, in points


def sample_store() -> Store:
    """The store that MINER_NOTEBOOK_STORE names, or that of `make demo`, or else one made now.

    The last takes a minute of the engine at most: its budgets are small. Good enough to look around.
    """
    if named := os.environ.get(VARIABLE):
        return Store.open(Path(named))
    demo = Path(os.path.relpath(ROOT / "out" / "store"))  # what a notebook shows names no place of a machine
    if _is_ranked(demo):
        return Store.open(demo)
    return quick_store(Path(tempfile.mkdtemp(prefix="club-")) / "store")


def quick_store(folder: Path) -> Store:
    """A store of the sample with small budgets: seconds where the usual ones take minutes."""
    usual = Settings()
    settings = replace(
        usual,
        judge=replace(usual.judge, nodes=(10_000, 40_000), nodes_in_all=15_000_000),
        scan=replace(usual.scan, nodes=(1_000, 3_000, 10_000), games=20),
        follow=replace(
            usual.follow,
            nodes=10_000,
            model_nodes=1_000,
            models=1,
            most_games=50,
            lasting_games=10,
            lasting_nodes=1_000,
        ),
    )
    return mine(SAMPLE, folder, settings, Means(engine=find_engine(), cache=_beside(folder)))


def verdicts_of(store: Store) -> Path:
    """Where the engine's verdicts are kept, beside the store, so that nothing is asked twice."""
    return _beside(Path(str(store.root)))


def _beside(folder: Path) -> Path:
    return folder.with_name(f"{folder.name}-verdicts.sqlite")


def _is_ranked(folder: Path) -> bool:
    try:
        store = Store.open(folder)
    except MinerError:  # none, or an older program's
        return False
    state = store.status()
    return all(state["stages"].values()) and not state["out_of_date"]


def quiet_plots() -> None:
    """Plots as in a printed book: a serif, thin grey axes, nothing that says nothing."""
    plt.rcParams.update(
        {
            "figure.dpi": 110,
            "figure.facecolor": PAPER,
            "savefig.facecolor": PAPER,
            "axes.facecolor": PAPER,
            "font.family": "DejaVu Serif",
            "font.size": 9,
            "axes.titlesize": 10,
            "axes.titlelocation": "left",
            "axes.edgecolor": LINE,
            "axes.labelcolor": QUIET,
            "axes.spines.top": False,
            "axes.spines.right": False,
            "xtick.color": LINE,
            "ytick.color": LINE,
            "xtick.labelcolor": QUIET,
            "ytick.labelcolor": INK,
            "text.color": INK,
            "svg.hashsalt": "miner",
        }
    )
    pd.set_option("display.max_colwidth", 120)


def with_bounds(
    axes: Axes, at: Iterable[float], value: Iterable[float], low: Iterable[float], high: Iterable[float]
) -> None:
    """Values as dots along the horizontal axis, their intervals as lines; `at` is their height."""
    heights = list(at)
    axes.hlines(heights, list(low), list(high), color=HALF, linewidth=2, capstyle="round", clip_on=False)
    axes.plot(list(value), heights, "o", color=HUE, markersize=5, clip_on=False)


def named(axes: Axes, names: Iterable[str], across: Iterable[float], up: Iterable[float]) -> None:
    """Names beside points, where less is in the way, lower where one would cover another.

    The limits of the axes must be set.
    """
    points = list(zip(across, up, strict=True))
    to_points = 72 / axes.figure.dpi
    places = [tuple(axes.transData.transform(point) * to_points) for point in points]
    middle = (axes.bbox.x0 + axes.bbox.width / 2) * to_points
    taken: list[tuple[float, float]] = []
    for name, point, (left, height) in zip(names, points, places, strict=True):
        before, behind = _in_the_way((left, height), places, -1), _in_the_way((left, height), places, 1)
        is_before = before < behind or (before == behind and left > middle)
        start, place = left - _NAME if is_before else left, height
        while any(abs(start - other) < _NAME and abs(place - there) < 10 for other, there in taken):
            place -= 2
        taken.append((start, place))
        axes.annotate(
            name,
            point,
            xytext=(-8 if is_before else 8, place - height),
            textcoords="offset points",
            ha="right" if is_before else "left",
            va="center",
        )


def _in_the_way(point: tuple[float, float], places: Sequence[tuple[float, float]], way: int) -> int:
    """Points that a name before (-1) or behind (1) its point would pass; one at its height counts thrice."""
    near = [place for place in places if 0 < (place[0] - point[0]) * way < _NAME]
    return sum(3 if abs(height - point[1]) < _CAPTION else 1 for _, height in near)


def in_percent(axes: Axes, *, along: str = "x") -> None:
    """Shares on an axis as per cent."""
    (axes.xaxis if along == "x" else axes.yaxis).set_major_formatter(lambda share, _: f"{share:.0%}")


def say(*sentences: str) -> None:
    """Sentences as a paragraph."""
    display(Markdown(" ".join(one for one in sentences if one)))


class Diagram(NamedTuple):
    """A board, who sits below it, and what is written under it."""

    board: chess.Board
    below: chess.Color = chess.WHITE
    caption: str = ""


def diagrams(wanted: Iterable[Diagram], *, side: int = 250) -> SVG:
    """Diagrams in a row, `side` pixels wide each."""
    shown = list(wanted)
    captions = [textwrap.wrap(one.caption, int(side / _LETTER)) for one in shown]
    drawn = []
    for place, one in enumerate(shown):
        svg = diagram_svg(one.board, orientation=one.below)
        left = place * (side + _GAP)
        size = f' x="{left}" width="{side}" height="{side}"'
        drawn.append(re.sub(r' width="\d+" height="\d+"', size, svg, count=1))
        drawn += [
            f'<text x="{left + side * 0.06:.0f}" y="{side + 8 + line * _CAPTION_LINE}" font-family="serif" '
            f'font-size="{_CAPTION}">{html.escape(words)}</text>'
            for line, words in enumerate(captions[place])
        ]
    width = len(shown) * (side + _GAP)
    height = side + max(map(len, captions), default=0) * _CAPTION_LINE + 1
    return SVG(
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}"><rect width="{width}" height="{height}" fill="#fff"/>'
        f"{''.join(drawn)}</svg>"
    )
