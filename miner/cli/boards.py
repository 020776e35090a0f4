"""Boards and columns of text on a terminal."""

from __future__ import annotations

import shutil
import textwrap
import unicodedata
from collections.abc import Collection, Sequence

import chess

DARK, LIGHT, INK, END = "\x1b[48;5;250m", "\x1b[48;5;231m", "\x1b[38;5;16m", "\x1b[0m"
BOARD_WIDTH = 29
GAP = "  "
FIGURINES = "♔♚◂"
FULL_WIDTH = 100
NARROWEST = 40


def width_of_terminal() -> int:
    """Columns of text that are printed."""
    return max(NARROWEST, min(FULL_WIDTH, shutil.get_terminal_size((FULL_WIDTH, 24)).columns))


def wrapped(text: str, width: int, indent: str = "") -> list[str]:
    """Text in lines of at most so many columns."""
    return textwrap.wrap(
        text,
        width,
        initial_indent=indent,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def board_diagram(
    board: chess.Board,
    *,
    orientation: chess.Color = chess.WHITE,
    marks: Collection[chess.Square] = (),
    color: bool = False,
    unicode: bool = True,
) -> str:
    """A diagram of nine lines: eight ranks with their numbers, then the files.

    `orientation` is the side at the bottom, `marks` are squares put in brackets. With `color` the board is
    printed in black on white and pale grey, whatever the terminal's colours; else dark squares carry a dot
    where they are empty. With `unicode` pieces are figurines; else letters, capitals for White. A pointer
    beside the board stands on the side that is to move. Every character takes one column, also where a
    terminal is set to East Asian widths.
    """
    across = range(8) if orientation == chess.WHITE else range(7, -1, -1)
    movers_rank = 0 if board.turn == chess.WHITE else 7
    lines = []
    for rank in reversed(across):
        squares = [chess.square(file, rank) for file in across]
        cells = "".join(_cell(board, square, square in marks, color, unicode) for square in squares)
        to_move = ("◂" if unicode else "<") if rank == movers_rank else ""
        lines.append(f"{rank + 1} {cells}{END if color else ''} {to_move}".rstrip())
    lines.append("  " + "".join(f" {chess.FILE_NAMES[file]} " for file in across).rstrip())
    return "\n".join(lines)


def _cell(board: chess.Board, square: chess.Square, marked: bool, color: bool, unicode: bool) -> str:
    is_dark = bool(chess.BB_DARK_SQUARES & chess.BB_SQUARES[square])
    piece = board.piece_at(square)
    if piece:
        inside = piece.unicode_symbol() if unicode else piece.symbol()
    else:
        inside = "." if is_dark and not color else " "
    cell = f"[{inside}]" if marked else f" {inside} "
    return f"{DARK if is_dark else LIGHT}{INK}{cell}" if color else cell


def side_by_side(blocks: Sequence[Sequence[str]], width: int) -> list[str]:
    """Boards with what stands below them, each in lines, as many beside each other as go in."""
    in_row = boards_in_row(width)
    lines: list[str] = []
    for start in range(0, len(blocks), in_row):
        row = blocks[start : start + in_row]
        lines += [""] if start else []
        for at in range(max(map(len, row))):
            cells = [block[at] if at < len(block) else "" for block in row]
            lines.append(GAP.join(cell + " " * (BOARD_WIDTH - columns_of(cell)) for cell in cells).rstrip())
    return lines


def boards_in_row(width: int) -> int:
    """How many boards go in beside each other."""
    return max(1, (width + len(GAP)) // (BOARD_WIDTH + len(GAP)))


def columns_of(text: str) -> int:
    """Columns that a text takes on a terminal, colours not counted."""
    for code in (DARK, LIGHT, INK, END):
        text = text.replace(code, "")
    return sum(map(_char_cells, text))


def _char_cells(char: str) -> int:
    if unicodedata.combining(char):
        return 0
    return 2 if unicodedata.east_asian_width(char) in "WF" else 1


def cut(text: str, width: int) -> str:
    """Text that is cut to so many columns, three dots behind it."""
    if columns_of(text) <= width:
        return text.rstrip()
    while columns_of(text) > width - 3:
        text = text[:-1]
    return text.rstrip() + "..."
