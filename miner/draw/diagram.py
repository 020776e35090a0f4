"""A board as printed books draw it, on paper for black-and-white printers and copiers, and on pages."""

from __future__ import annotations

import html
from collections.abc import Callable

import chess

from miner.draw.pieces import SQUARE, man_svg

_MARGIN = 26
_BESIDE = 40
_SIDE = 8 * SQUARE
_FRAME = 2
_HATCH = 9
_PRINTED = {
    "light": 'fill="#fff"',
    "dark": 'fill="#d4d4d4"',  # dark enough after copying, light enough for a black piece to stand out
    "hatched": 'stroke="#000" stroke-width="0.9" fill="none"',
    "frame": f'fill="none" stroke="#000" stroke-width="{_FRAME}"',
    "to-move white": f'fill="#fff" stroke="#000" stroke-width="{_FRAME}"',
    "to-move black": f'fill="#000" stroke="#000" stroke-width="{_FRAME}"',
    "coordinate": 'text-anchor="middle" font-family="Libertinus Serif, serif" font-size="24"',
}
"""How the parts of a diagram look on paper, by the class that they have on a page of HTML."""

_PAPER = '<rect width="100%" height="100%" fill="#fff"/>'

ClassLook = Callable[[str], str]


def diagram_svg(
    board: chess.Board,
    *,
    orientation: chess.Color = chess.WHITE,
    coordinates: bool = True,
    hatched: bool = False,
    paper: bool = False,
    label: str | None = None,
) -> str:
    """The board as SVG in black, white and grey; with `hatched` in black and white only.

    `orientation` is the side at the bottom; with `paper` it stands on white of its own. As in print, the side
    to move is told by a small square beside the board, white or black, at that side's end of it. With a
    `label`, which is read out to those who do not see it, the diagram is for a page of HTML that holds the
    men's symbols once: its pieces refer to them, and its parts have classes for the page's style instead of
    colours.
    """
    left = _MARGIN if coordinates else _FRAME
    width, height = left + _SIDE + _BESIDE, _SIDE + 2 * _FRAME + (_MARGIN if coordinates else 0)
    look: ClassLook = _PRINTED.__getitem__ if label is None else 'class="{}"'.format
    kind = (
        f'xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}"'
        if label is None
        else f'class="diagram" viewBox="0 0 {width} {height}" role="img" aria-label="{html.escape(label)}"'
    )
    parts = [
        f"<svg {kind}>",
        _PAPER if paper else "",
        f'<g transform="translate({left} {_FRAME})">',
        f'<rect width="{_SIDE}" height="{_SIDE}" {look("light")}/>',
        _dark_squares(hatched, look),
        *(
            _drawn_piece(board, square, orientation, hatched)
            if label is None
            else _piece_reference(board, square, orientation)
            for square in chess.SquareSet(board.occupied)
        ),
        f'<rect width="{_SIDE}" height="{_SIDE}" {look("frame")}/>',
        _side_to_move(board.turn, orientation, look),
        _coordinates(orientation, look) if coordinates else "",
        "</g></svg>",
    ]
    return "".join(parts)


def _corner(square: chess.Square, orientation: chess.Color) -> tuple[int, int]:
    file, rank = chess.square_file(square), chess.square_rank(square)
    column, row = (file, 7 - rank) if orientation == chess.WHITE else (7 - file, rank)
    return column * SQUARE, row * SQUARE


def _dark_squares(hatched: bool, look: ClassLook) -> str:
    corners = [_corner(square, chess.WHITE) for square in chess.SquareSet(chess.BB_DARK_SQUARES)]
    if hatched:
        path = "".join(_hatching(x, y) for x, y in corners)
    else:
        path = "".join(f"M{x} {y}h{SQUARE}v{SQUARE}h-{SQUARE}z" for x, y in corners)
    return f'<path d="{path}" {look("hatched" if hatched else "dark")}/>'


def _hatching(x: int, y: int) -> str:
    """Strokes from the lower left to the upper right of a square."""
    strokes = []
    for at in range(_HATCH, 2 * SQUARE, _HATCH):
        low, high = max(0, at - SQUARE), min(at, SQUARE)
        strokes.append(f"M{x + low} {y + at - low}L{x + high} {y + at - high}")
    return "".join(strokes)


def _drawn_piece(board: chess.Board, square: chess.Square, orientation: chess.Color, hatched: bool) -> str:
    x, y = _corner(square, orientation)
    letter = _letter(board, square)
    # On hatching, a piece needs a clear ground, as it has in print.
    ground = hatched and bool(chess.BB_SQUARES[square] & chess.BB_DARK_SQUARES)
    return f'<g class="piece-{letter}" transform="translate({x} {y})">{man_svg(letter, ground=ground)}</g>'


def _piece_reference(board: chess.Board, square: chess.Square, orientation: chess.Color) -> str:
    x, y = _corner(square, orientation)
    name = f"piece-{_letter(board, square)}"
    return f'<use href="#{name}" x="{x}" y="{y}" width="{SQUARE}" height="{SQUARE}"/>'


def _letter(board: chess.Board, square: chess.Square) -> str:
    piece = board.piece_at(square)
    assert piece is not None, f"the occupied square {chess.square_name(square)} is empty"
    return piece.symbol()


def _side_to_move(turn: chess.Color, orientation: chess.Color, look: ClassLook) -> str:
    size = 20
    y = _SIDE - size - 2 if turn == orientation else 2
    kind = look("to-move white" if turn == chess.WHITE else "to-move black")
    return f'<rect x="{_SIDE + 12}" y="{y}" width="{size}" height="{size}" {kind}/>'


def _coordinates(orientation: chess.Color, look: ClassLook) -> str:
    names = []
    for index in range(8):
        place = index if orientation == chess.WHITE else 7 - index
        middle = index * SQUARE + SQUARE / 2
        names += [
            f'<text x="{middle}" y="{_SIDE + 22}" {look("coordinate")}>{chess.FILE_NAMES[place]}</text>',
            f'<text x="-14" y="{_SIDE - middle + 8}" {look("coordinate")}>{chess.RANK_NAMES[place]}</text>',
        ]
    return "".join(names)
