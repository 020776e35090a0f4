"""Diagrams as a second program sees them: an XML parser."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import chess
import pytest

from miner.draw.diagram import diagram_svg
from miner.draw.pieces import SQUARE

SVG = "{http://www.w3.org/2000/svg}"
AFTER_E4 = chess.Board("rnbqkbnr/pppppppp/8/8/4P3/8/PPPP1PPP/RNBQKBNR b KQkq - 0 1")


def pieces_at(svg: str) -> dict[tuple[int, int], str]:
    """The letters of the pieces by column and row, from the upper left."""
    found = {}
    for group in ET.fromstring(svg).iterfind(f".//{SVG}g[@class]"):
        x, y = group.attrib["transform"].removeprefix("translate(").rstrip(")").split()
        found[int(x) // SQUARE, int(y) // SQUARE] = group.attrib["class"].removeprefix("piece-")
    return found


def side_to_move(svg: str) -> tuple[str, bool]:
    """The fill of the small square, and whether it stands in the lower half."""
    small = [
        one for one in ET.fromstring(svg).iter(f"{SVG}rect") if float(one.attrib.get("x", 0)) > 8 * SQUARE
    ]
    [square] = small
    return square.attrib["fill"], float(square.attrib["y"]) > 4 * SQUARE


def test_pieces_stand_where_they_are() -> None:
    """White's king is on e1: fifth column, last row; from Black's side fourth column, first row."""
    assert len(pieces_at(diagram_svg(AFTER_E4))) == 32
    assert pieces_at(diagram_svg(AFTER_E4))[4, 7] == "K"
    assert pieces_at(diagram_svg(AFTER_E4))[4, 4] == "P"
    assert pieces_at(diagram_svg(AFTER_E4, orientation=chess.BLACK))[3, 0] == "K"


@pytest.mark.parametrize(
    ("board", "orientation", "square"),
    [
        (chess.Board(), chess.WHITE, ("#fff", True)),
        (chess.Board(), chess.BLACK, ("#fff", False)),
        (AFTER_E4, chess.WHITE, ("#000", False)),
        (AFTER_E4, chess.BLACK, ("#000", True)),
    ],
)
def test_side_to_move(board: chess.Board, orientation: bool, square: tuple[str, bool]) -> None:
    """A white or black square stands at the end of the side that is to move."""
    assert side_to_move(diagram_svg(board, orientation=orientation)) == square


def test_dark_squares() -> None:
    """There are 32 of them, and a1, in the lower left corner, is one."""
    dark = diagram_svg(chess.Board()).partition('<path d="')[2].partition('"')[0]

    corners = {part.partition("h")[0] for part in dark.split("M")[1:]}
    assert len(corners) == 32
    assert f"0 {7 * SQUARE}" in corners


def test_hatched_is_black_and_white_only() -> None:
    """With hatching no grey is left that a copier could lose."""
    assert "#d4d4d4" in diagram_svg(AFTER_E4)
    assert "#d4d4d4" not in diagram_svg(AFTER_E4, hatched=True)


def test_coordinates() -> None:
    """Letters and numbers run as the board is turned, or are left out."""
    names = [one.text for one in ET.fromstring(diagram_svg(AFTER_E4)).iter(f"{SVG}text")]
    turned = ET.fromstring(diagram_svg(AFTER_E4, orientation=chess.BLACK)).iter(f"{SVG}text")

    assert sorted(map(str, names)) == list("12345678abcdefgh")
    assert [one.text for one in turned][:2] == ["h", "8"]
    assert "<text" not in diagram_svg(AFTER_E4, coordinates=False)


def test_for_a_page() -> None:
    """With a label the pieces are the page's, and classes stand for the colours."""
    svg = ET.fromstring(diagram_svg(AFTER_E4, orientation=chess.BLACK, label="After 1.e4"))

    uses = [(use.attrib["href"], use.attrib["x"], use.attrib["y"]) for use in svg.iter("use")]
    assert len(uses) == 32
    assert ("#piece-K", str(3 * SQUARE), "0") in uses
    assert svg.attrib["aria-label"] == "After 1.e4"
    assert [one.attrib["class"] for one in svg.iter("rect")] == ["light", "frame", "to-move black"]
    assert not [one for one in svg.iter() if {"fill", "stroke", "style"} & one.attrib.keys()]
