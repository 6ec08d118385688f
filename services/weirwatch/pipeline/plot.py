"""Curves, dots and limits as inline SVG: one drawing for every report, no script, nothing fetched.

Colours are those of ink and water; what must be told apart differs in dash, shape and word too.
"""

from collections.abc import Sequence
from html import escape

WIDTH, HEIGHT = 720, 190
LEFT, RIGHT, TOP, BOTTOM = 56, 12, 26, 28
MOST_POINTS = 700
Point = tuple[float, float]
_INK = 'class="ww-curve" stroke="#1d5b79"'  # a page may colour its curves anew


class Frame:
    """Maps x (any unit) and values to the drawing."""

    def __init__(self, first: float, last: float, low: float, high: float) -> None:
        """`last` above `first`; equal values get room above them."""
        self.first, self.last, self.low = first, last, low
        self.high = high if high > low else low + 1.0
        self._span = (self.high - low) * 1.16  # a little air above and below the curve

    def x(self, at: float) -> float:
        """Return the place of an x."""
        share = (at - self.first) / (self.last - self.first)
        return round(LEFT + share * (WIDTH - LEFT - RIGHT), 1)

    def y(self, value: float) -> float:
        """Return the place of a value."""
        share = (value - self.low) / self._span + 0.07
        return round(HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM), 1)

    def axes(self, marks: Sequence[tuple[float, str]], unit: str) -> str:
        """Return both axes with words at these x."""
        bottom = HEIGHT - BOTTOM
        words = "".join(
            f'<text x="{self.x(at)}" y="{bottom + 14}" text-anchor="{self._anchor(at)}">'
            f"{escape(word)}</text>"
            for at, word in marks
        )
        heights = "".join(
            f'<text x="{LEFT - 6}" y="{self.y(v) + 4}" text-anchor="end">{v:.4g}</text>'
            for v in (self.low, (self.low + self.high) / 2, self.high)
        )
        told = (
            f'<text x="{WIDTH - RIGHT}" y="{HEIGHT - 2}" text-anchor="end">{escape(unit)}</text>'
            if unit
            else ""
        )
        return (
            f'<path d="M{LEFT} {TOP}V{bottom}H{WIDTH - RIGHT}" fill="none" stroke="#999"/>'
            f"{words}{heights}{told}"
        )

    def _anchor(self, at: float) -> str:
        return "end" if self.x(at) > WIDTH - 3 * RIGHT else "middle"

    def level(self, value: float | None, word: str = "limit") -> str:
        """Return a level line with its word; nothing for None."""
        if value is None:
            return ""
        y, said = self.y(value), f"{escape(word)} {value:g}"
        return (
            f'<path d="M{LEFT} {y}H{WIDTH - RIGHT}" stroke="#777" stroke-dasharray="1 4"/>'
            f'<text x="{WIDTH - RIGHT}" y="{y - 3}" text-anchor="end">{said}</text>'
        )

    def moment(self, at: float | None, word: str, dash: str, height: float) -> str:
        """Return an upright line with its word; nothing where the drawing does not reach."""
        if at is None or not self.first <= at <= self.last:
            return ""
        x = self.x(at)
        side = f'x="{x + 4}"' if x < WIDTH - 60 else f'x="{x - 4}" text-anchor="end"'
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        return (
            f'<path d="M{x} {TOP}V{HEIGHT - BOTTOM}" stroke="currentColor"{dashes}/>'
            f'<text {side} y="{height}">{escape(word)}</text>'
        )

    def curve(self, points: Sequence[Point]) -> str:
        """Return the points joined."""
        steps = "L".join(f"{self.x(at)} {self.y(value)}" for at, value in points)
        return f'<path d="M{steps}" fill="none" {_INK} stroke-width="1.5"/>'

    def dots(self, points: Sequence[Point]) -> str:
        """Return the points as rings."""
        return "".join(
            f'<circle cx="{self.x(at)}" cy="{self.y(value)}" r="3" fill="none" {_INK}/>'
            for at, value in points
        )

    def bars(self, bars: Sequence[tuple[float, float, float]]) -> str:
        """Return upright bars (x, lowest, highest)."""
        return "".join(
            f'<path d="M{self.x(at)} {self.y(low)}V{self.y(high)}" {_INK} stroke-width="4"/>'
            for at, low, high in bars
        )


def drawing(label: str, parts: Sequence[str]) -> str:
    """Return the drawing of these parts under its label."""
    return (
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(label)}" '
        'font-family="Georgia,serif" font-size="11" fill="currentColor">'
        f'<text x="{LEFT}" y="14">{escape(label)}</text>{"".join(parts)}</svg>'
    )


def thinned(points: Sequence[Point]) -> list[Point]:
    """Return at most `MOST_POINTS` points: of each stretch its lowest and highest."""
    if len(points) <= MOST_POINTS:
        return list(points)
    size = -(-len(points) // (MOST_POINTS // 2))
    kept: list[Point] = []
    for start in range(0, len(points), size):
        stretch = points[start : start + size]
        ends = {min(stretch, key=lambda p: p[1]), max(stretch, key=lambda p: p[1])}
        kept += sorted(ends)
    return kept
