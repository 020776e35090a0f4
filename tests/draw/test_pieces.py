"""The men as a second program draws them: the typesetter, whose picture is read dot by dot."""

from __future__ import annotations

import io
import itertools
import xml.etree.ElementTree as ET
from functools import cache
from typing import Any

import numpy as np
import pytest

from miner.draw.pieces import MEN, man_svg, piece_symbols

SMALL = 14
"""Dots of a square's side on the smallest boards of a page."""
DIFFERENT = 6
"""Dots of 196 that must differ clearly between two men."""


@cache
def picture(letter: str, side: int) -> Any:
    """How bright each dot of a man is, 0 to 1, on a grey square of so many dots."""
    typst = pytest.importorskip("typst", reason="needs the extra `print`")
    image = pytest.importorskip("matplotlib.image", reason="needs the extra `plots`")
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 45 45">{man_svg(letter)}</svg>'
    page = (
        f"#set page(width: {side}pt, height: {side}pt, margin: 0pt, fill: luma(50%))\n"
        f'#image(bytes(sys.inputs.svg), format: "svg", width: {side}pt)'
    )
    png = typst.compile(page.encode(), format="png", ppi=72, sys_inputs={"svg": svg})
    return image.imread(io.BytesIO(png))[:, :, 0]


@pytest.mark.parametrize("letter", [*"KQRBNPkqrbnp"])
def test_each_man_lies_within_its_square(letter: str) -> None:
    """Nothing touches the edge of the square; there is black in every man, and white."""
    seen = picture(letter, 90)

    edge = np.concatenate([seen[0], seen[-1], seen[:, 0], seen[:, -1]])
    assert np.ptp(edge) == 0
    assert (seen.min(), seen.max()) == (0, 1)


@pytest.mark.parametrize("side", ["white", "black"])
def test_small_men_can_be_told_apart(side: str) -> None:
    """Each pair differs by some dots even on the smallest boards."""
    men = MEN if side == "white" else [letter.lower() for letter in MEN]

    alike = {
        one + other: int(np.sum(np.abs(picture(one, SMALL) - picture(other, SMALL)) > 0.25))
        for one, other in itertools.combinations(men, 2)
    }

    assert min(alike.values()) >= DIFFERENT, alike


def test_symbols() -> None:
    """One for each man, which a page's boards refer to, without a style of its own."""
    symbols = ET.fromstring(f"<svg>{piece_symbols()}</svg>")

    assert [one.attrib["id"] for one in symbols] == [f"piece-{one}" for one in "KQRBNPkqrbnp"]
    assert not [one for one in symbols.iter() if "style" in one.attrib]
    assert all("ground" in one[0].attrib["class"] for one in symbols)
