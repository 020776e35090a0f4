"""The men, drawn for this program: turned on a lathe, lit from the right, each in a square of 45 units.

An outline is filled with its side's colour; marks are strokes in the other one. So nothing is grey, and a
copier loses nothing.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import NamedTuple

SQUARE = 45
"""Side of a square in the drawing's units."""


class Man(NamedTuple):
    """A man's outline and the strokes on it, as SVG paths."""

    outline: str
    marks: str


_LEFT = "M9.6 42.2V40Q9.6 38.2 11.4 37.7"
_RIGHT = "L33.6 37.7Q35.4 38.2 35.4 40V42.2Z"
_RIM = "M11.4 38.2H33.6"

MEN = MappingProxyType(
    {
        "K": Man(
            f"{_LEFT}C15.9 35.7 17 32.8 17.5 29.9H14.8V26.7H17L9.9 17.3C12.9 13.7 16.8 12 21 11.7L21.6 8.8"
            "L17.5 9.4V5L21.6 5.6L20.8 2.2H24.2L23.4 5.6L27.5 5V9.4L23.4 8.8L24 11.7"
            f"C28.2 12 32.1 13.7 35.1 17.3L28 26.7H30.2V29.9H27.5C28 32.8 29.1 35.7 33.6 37.7{_RIGHT}",
            f"{_RIM}M17 26.7H28M30.8 17.6L27.2 23",
        ),
        "Q": Man(
            f"{_LEFT}C14.6 36.2 15.8 34.4 16.2 32.2L7.2 13.2L13.6 18.8L14.2 7.4L19.7 16.6L22.5 5L25.3 16.6"
            f"L30.8 7.4L31.4 18.8L37.8 13.2L28.8 32.2C29.2 34.4 30.4 36.2 33.6 37.7{_RIGHT}",
            f"{_RIM}M16.4 32.2H28.6M31.2 21.6L28.2 28.4",
        ),
        "R": Man(
            f"{_LEFT}L15 33.5L16.1 20.2L11.4 16.2V7.5H16.7V11.3H19.9V7.5H25.1V11.3H28.3V7.5H33.6V16.2"
            f"L28.9 20.2L30 33.5{_RIGHT}",
            f"{_RIM}M16.1 20.2H28.9M25.6 23.8L26.3 32.8",
        ),
        "B": Man(
            f"{_LEFT}C16.3 36.2 18.1 33.5 18.8 30.8H15.2V27.6H18.1C14.8 24.7 13.7 21.4 14.8 17.6"
            "C15.9 13.5 19 10.2 20.8 7.7A2.9 2.9 0 1 1 24.2 7.7C26 10.2 29.1 13.5 30.2 17.6"
            f"C31.3 21.4 30.2 24.7 26.9 27.6H29.8V30.8H26.2C26.9 33.5 28.7 36.2 33.6 37.7{_RIGHT}",
            f"{_RIM}M18.1 27.6H26.9M22.6 20.5L27.8 13.8",
        ),
        "N": Man(
            f"{_LEFT}H13C13 31.9 17 29.4 20.4 24.7C18.1 25.4 16.3 25.4 14.8 26.5L12.3 29.2"
            "C10.1 29.9 7.6 28.1 7.4 25.8C7.4 24.3 8.3 22.9 9.2 21.4C11 18.5 11.4 16.2 13.2 13.3"
            "C14.5 11.1 16.8 9.7 18.8 9L18.1 3.7L23.5 7.7C30.5 9.3 34.3 16.4 34.5 24.7"
            f"C34.6 29.7 34 34.1 32.7 37.7{_RIGHT}",
            f"{_RIM}M17.2 15.8h.1M24.9 12.4C28.7 15.8 30 20.5 29.8 27",
        ),
        "P": Man(
            "M12.4 42.2V40Q12.4 38.2 14.2 37.7C17.8 34.8 19.4 30.1 19.6 26.1H16.3V22.9H19"
            "A6.8 6.8 0 1 1 26 22.9H28.7V26.1H25.4C25.6 30.1 27.2 34.8 30.8 37.7Q32.6 38.2 32.6 40V42.2"
            "Z",
            "M14.2 38.2H30.8M24.6 12.9A4.5 4.5 0 0 1 26.4 17.1",
        ),
    }
)
"""By their letters in FEN, as White's."""

_GROUND = 'fill="none" stroke="#fff" stroke-width="6" stroke-linejoin="round"'


def man_svg(letter: str, *, ground: bool = False) -> str:
    """The man that has this letter in FEN, in a square of 45 units.

    With `ground` it has white around it, so that it stands out from hatching.
    """
    return (f'<path d="{MEN[letter.upper()].outline}" {_GROUND}/>' if ground else "") + _body(letter)


def piece_symbols() -> str:
    """Each man as a symbol of SVG, such as `piece-n` for the black knight, without inline styles.

    They stand once on a page, whose policy bars inline styles, and its boards refer to them. What is around a
    man has the class `ground`, for the page's style: where it prints hatched squares, it is to be white.
    """
    return "".join(
        f'<symbol id="piece-{letter}" viewBox="0 0 {SQUARE} {SQUARE}">'
        f'<path class="ground" d="{MEN[letter.upper()].outline}"/>{_body(letter)}</symbol>'
        for letter in "".join(MEN) + "".join(MEN).lower()
    )


def _body(letter: str) -> str:
    man = MEN[letter.upper()]
    own, other = ("#fff", "#000") if letter.isupper() else ("#000", "#fff")
    return (
        f'<path d="{man.outline}" fill="{own}" stroke="#000" stroke-width="1.6" stroke-linejoin="round"/>'
        f'<path d="{man.marks}" fill="none" stroke="{other}" stroke-width="1.6" stroke-linecap="round"/>'
    )
