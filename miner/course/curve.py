"""How much of the games a course covers, move by move, as a small picture for paper and for pages of HTML."""

from __future__ import annotations

import html
from collections.abc import Sequence

WIDTH, HEIGHT = 420, 170
_LEFT, _RIGHT, _TOP, _BOTTOM = 44, 12, 12, 30
_PRINTED = {
    "axis": 'stroke="#000" stroke-width="1" fill="none"',
    "rule": 'stroke="#bbb" stroke-width="0.6" fill="none"',
    "curve": 'stroke="#000" stroke-width="2" fill="none"',
    "point": 'fill="#000"',
    "name": 'font-family="Libertinus Serif, serif" font-size="13"',
}
"""How the parts look on paper, by the class that they have on a page of HTML."""


def coverage_svg(points: Sequence[tuple[int, float]], label: str | None = None) -> str:
    """Shares (0 to 1) of the games by number of the move, rising, as a curve; with a `label` for a page."""
    look = _PRINTED.__getitem__ if label is None else 'class="{}"'.format
    first, last = points[0][0], max(points[-1][0], points[0][0] + 1)

    def x(move: float) -> float:
        return _LEFT + (move - first) / (last - first) * (WIDTH - _LEFT - _RIGHT)

    def y(share: float) -> float:
        return _TOP + (1.0 - share) * (HEIGHT - _TOP - _BOTTOM)

    kind = (
        f'xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}"'
        if label is None
        else f'class="coverage" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{html.escape(label)}"'
    )
    path = " ".join(f"{x(move):.1f},{y(share):.1f}" for move, share in points)
    rules = "".join(
        f'<path d="M{_LEFT} {y(share):.1f}H{WIDTH - _RIGHT}" {look("axis" if not share else "rule")}/>'
        f'<text x="{_LEFT - 6}" y="{y(share) + 4:.1f}" text-anchor="end" {look("name")}>{share:.0%}</text>'
        for share in (0.0, 0.5, 1.0)
    )
    moves = "".join(
        f'<text x="{x(move):.1f}" y="{HEIGHT - 10}" text-anchor="middle" {look("name")}>{move}</text>'
        for move, _ in points
    )
    dots = "".join(
        f'<circle cx="{x(move):.1f}" cy="{y(share):.1f}" r="3" {look("point")}/>' for move, share in points
    )
    return f'<svg {kind}>{rules}{moves}<polyline points="{path}" {look("curve")}/>{dots}</svg>'
