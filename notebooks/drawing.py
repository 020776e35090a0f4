"""What both notebooks share: a store of the sample, quiet plots, and diagrams as printed books have them."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Iterable
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
_GAP = 28  # between diagrams, and below them for their captions


def sample_store() -> Store:
    """The store that MINER_NOTEBOOK_STORE names, or that of `make demo`, or else one made now.

    The last takes a minute of the engine at most: its budgets are small. Good enough to look around.
    """
    if named := os.environ.get(VARIABLE):
        return Store.open(Path(named))
    demo = ROOT / "out" / "store"
    if _is_ranked(demo):
        return Store.open(demo)
    return quick_store(Path(tempfile.mkdtemp(prefix="club-")) / "store")


def quick_store(folder: Path) -> Store:
    """A store of the sample with small budgets: seconds where the usual ones take minutes."""
    usual = Settings()
    settings = replace(
        usual,
        judge=replace(usual.judge, nodes=(10_000, 40_000), nodes_in_all=20_000_000),
        scan=replace(usual.scan, nodes=(1_000, 3_000, 10_000), games=50),
        follow=replace(usual.follow, nodes=10_000, model_nodes=1_000, models=1, most_games=100),
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
    """Names beside points, lower where one would cover another; the limits of the axes must be set."""
    taken: list[tuple[float, float]] = []
    for name, x, y in zip(names, across, up, strict=True):
        is_right = axes.transAxes.inverted().transform(axes.transData.transform((x, y)))[0] > 0.8
        left, height = axes.transData.transform((x, y)) * 72 / axes.figure.dpi  # in points
        place = height
        while any(abs(left - other) < 60 and abs(place - there) < 10 for other, there in taken):
            place -= 2
        taken.append((left, place))
        axes.annotate(
            name,
            (x, y),
            xytext=(-8 if is_right else 8, place - height),
            textcoords="offset points",
            ha="right" if is_right else "left",
            va="center",
        )


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
    drawn = []
    for place, one in enumerate(wanted):
        svg = diagram_svg(one.board, orientation=one.below)
        left = place * (side + _GAP)
        size = f' x="{left}" width="{side}" height="{side}"'
        drawn.append(re.sub(r' width="\d+" height="\d+"', size, svg, count=1))
        drawn.append(
            f'<text x="{left + side * 0.06:.0f}" y="{side + 8}" font-family="serif" font-size="14">'
            f"{one.caption}</text>"
        )
    width, height = len(drawn) // 2 * (side + _GAP), side + _GAP - 8
    return SVG(
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}"><rect width="{width}" height="{height}" fill="#fff"/>'
        f"{''.join(drawn)}</svg>"
    )
