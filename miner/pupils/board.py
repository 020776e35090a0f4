"""Boards for a page whose content security policy bars inline styles and scripts."""

from __future__ import annotations

import chess

from miner.pupils.markup import Markup, element, joined, single
from miner.report import alone

SQUARE = 45
_SIDE = 8 * SQUARE


def piece_symbols() -> Markup:
    """Each piece as a symbol that boards refer to; stands once in a page."""
    symbols = Markup(alone.piece_symbols())
    return element("svg", symbols, class_="store", width="0", height="0", aria_hidden="true")


def board_svg(fen: str, bottom: str, label: str) -> Markup:
    """A diagram as books print it, `bottom` (white or black) below; a small square tells the side to move."""
    board = chess.Board(fen)
    is_white = bottom == "white"
    dark = "".join(
        f"M{x} {y}h{SQUARE}v{SQUARE}h-{SQUARE}z"
        for x, y in (_corner(one, True) for one in chess.SquareSet(chess.BB_DARK_SQUARES))
    )
    return element(
        "svg",
        single("rect", class_="light", width=str(_SIDE), height=str(_SIDE)),
        single("path", class_="dark", d=dark),
        single("rect", class_="frame", x="-1", y="-1", width=str(_SIDE + 2), height=str(_SIDE + 2)),
        *(_piece(board, square, is_white) for square in chess.SquareSet(board.occupied)),
        _to_move(board.turn == chess.WHITE, board.turn == is_white),
        _coordinates(is_white),
        class_="diagram",
        viewBox=f"-20 -4 {_SIDE + 46} {_SIDE + 26}",
        role="img",
        aria_label=label,
    )


def _corner(square: chess.Square, is_white: bool) -> tuple[int, int]:
    file, rank = chess.square_file(square), chess.square_rank(square)
    column, row = (file, 7 - rank) if is_white else (7 - file, rank)
    return column * SQUARE, row * SQUARE


def _piece(board: chess.Board, square: chess.Square, is_white: bool) -> Markup:
    piece = board.piece_at(square)
    assert piece is not None, f"the occupied square {chess.square_name(square)} is empty"
    x, y = _corner(square, is_white)
    size = str(SQUARE)
    return single("use", href=f"#piece-{piece.symbol()}", x=str(x), y=str(y), width=size, height=size)


def _to_move(is_white: bool, is_below: bool) -> Markup:
    y = _SIDE - 17 if is_below else 1
    kind = "to-move white" if is_white else "to-move black"
    return single("rect", class_=kind, x=str(_SIDE + 7), y=str(y), width="15", height="15")


def _coordinates(is_white: bool) -> Markup:
    names = []
    for index in range(8):
        place = index if is_white else 7 - index
        middle = index * SQUARE + SQUARE // 2
        names += [
            element("text", chess.FILE_NAMES[place], class_="coordinate", x=str(middle), y=str(_SIDE + 16)),
            element("text", chess.RANK_NAMES[place], class_="coordinate", x="-11", y=str(_SIDE - middle + 4)),
        ]
    return joined(*names)
