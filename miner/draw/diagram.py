"""A board as printed books draw it, for black-and-white printers and copiers."""

from __future__ import annotations

import chess
import chess.svg

SQUARE = 45
"""Side of a square in the drawing's units, which is what the pieces are drawn for."""

_MARGIN = 26
_BESIDE = 40
_SIDE = 8 * SQUARE
_FRAME = 2
_GREY = "#d4d4d4"  # dark enough after copying, light enough for a black piece to stand out
_HATCH = 9
_FONT = 'font-family="Libertinus Serif" font-size="24"'


def diagram_svg(
    board: chess.Board,
    *,
    orientation: chess.Color = chess.WHITE,
    coordinates: bool = True,
    hatched: bool = False,
) -> str:
    """The board as SVG in black, white and grey; with `hatched` in black and white only.

    `orientation` is the side at the bottom. As in print, the side to move is told by a small square beside
    the board, white or black, at that side's end of it.
    """
    left = _MARGIN if coordinates else _FRAME
    width, height = left + _SIDE + _BESIDE, _SIDE + 2 * _FRAME + (_MARGIN if coordinates else 0)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}">',
        f'<g transform="translate({left} {_FRAME})">',
        f'<rect width="{_SIDE}" height="{_SIDE}" fill="#fff"/>',
        _dark_squares(hatched),
        *(_piece(board, square, orientation, hatched) for square in chess.SquareSet(board.occupied)),
        f'<rect width="{_SIDE}" height="{_SIDE}" fill="none" stroke="#000" stroke-width="{_FRAME}"/>',
        _side_to_move(board.turn, orientation),
        _coordinates(orientation) if coordinates else "",
        "</g></svg>",
    ]
    return "".join(parts)


def _corner(square: chess.Square, orientation: chess.Color) -> tuple[int, int]:
    file, rank = chess.square_file(square), chess.square_rank(square)
    column, row = (file, 7 - rank) if orientation == chess.WHITE else (7 - file, rank)
    return column * SQUARE, row * SQUARE


def _dark_squares(hatched: bool) -> str:
    corners = [_corner(square, chess.WHITE) for square in chess.SquareSet(chess.BB_DARK_SQUARES)]
    if not hatched:
        path = "".join(f"M{x} {y}h{SQUARE}v{SQUARE}h-{SQUARE}z" for x, y in corners)
        return f'<path d="{path}" fill="{_GREY}"/>'
    strokes = "".join(_hatching(x, y) for x, y in corners)
    return f'<path d="{strokes}" stroke="#000" stroke-width="0.9" fill="none"/>'


def _hatching(x: int, y: int) -> str:
    """Strokes from the lower left to the upper right of a square."""
    strokes = []
    for at in range(_HATCH, 2 * SQUARE, _HATCH):
        low, high = max(0, at - SQUARE), min(at, SQUARE)
        strokes.append(f"M{x + low} {y + at - low}L{x + high} {y + at - high}")
    return "".join(strokes)


def _piece(board: chess.Board, square: chess.Square, orientation: chess.Color, hatched: bool) -> str:
    piece = board.piece_at(square)
    assert piece is not None, f"the occupied square {chess.square_name(square)} is empty"
    x, y = _corner(square, orientation)
    drawn = chess.svg.PIECES[piece.symbol()]
    # On hatching, a piece needs a clear ground, as it has in print.
    ground = hatched and chess.BB_SQUARES[square] & chess.BB_DARK_SQUARES
    clear = f'<circle cx="{SQUARE / 2}" cy="24" r="17" fill="#fff"/>' if ground else ""
    return f'<g transform="translate({x} {y})">{clear}{drawn}</g>'


def _side_to_move(turn: chess.Color, orientation: chess.Color) -> str:
    size = 20
    y = _SIDE - size - 2 if turn == orientation else 2
    fill = "#fff" if turn == chess.WHITE else "#000"
    return (
        f'<rect x="{_SIDE + 12}" y="{y}" width="{size}" height="{size}" fill="{fill}" stroke="#000" '
        f'stroke-width="{_FRAME}"/>'
    )


def _coordinates(orientation: chess.Color) -> str:
    names = []
    for index in range(8):
        place = index if orientation == chess.WHITE else 7 - index
        middle = index * SQUARE + SQUARE / 2
        names.append(
            f'<text x="{middle}" y="{_SIDE + 22}" text-anchor="middle" {_FONT}>'
            f"{chess.FILE_NAMES[place]}</text>"
            f'<text x="-14" y="{_SIDE - middle + 8}" text-anchor="middle" {_FONT}>'
            f"{chess.RANK_NAMES[place]}</text>"
        )
    return "".join(names)
