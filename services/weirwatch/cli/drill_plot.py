"""One curve as inline SVG: limit, alarm and harm told apart by dash and word."""

from collections.abc import Sequence
from html import escape

_WIDTH, _HEIGHT = 720, 190
_LEFT, _RIGHT, _TOP, _BOTTOM = 56, 12, 26, 28
_MOST_POINTS = 700


def plot(
    label: str,
    points: Sequence[tuple[float, float]],
    limit: float | None,
    alarm_s: float | None,
    harm_s: float | None,
) -> str:
    """Return a curve over time.

    Args:
        label: what it shows, with its unit.
        points: (seconds since the failure began, value), in order of time.
        limit: drawn as a level line; None: none.
        alarm_s: seconds since the failure began; not drawn where the curve does not reach.
        harm_s: likewise.
    """
    shown = _thinned(_near(points))
    if len(shown) < 2:
        return f'<p class="small">{escape(label)}: no readings.</p>'
    values = [value for _, value in shown] + ([limit] if limit is not None else [])
    low, high = min(values), max(values)
    frame = _Frame(shown[0][0], shown[-1][0], low, high if high > low else low + 1.0)
    parts = [
        f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escape(label)}" '
        'font-family="Georgia,serif" font-size="11" fill="#333">',
        f'<text x="{_LEFT}" y="14">{escape(label)}</text>',
        frame.axes(),
        frame.level(limit),
        frame.moment(0.0, "failure", "2 3", _TOP + 9),
        frame.moment(alarm_s, "told", "", _TOP + 21),
        frame.moment(harm_s, "harm", "7 3", _TOP + 33),
        frame.curve(shown),
        "</svg>",
    ]
    return "".join(parts)


class _Frame:
    """Maps seconds and values to the drawing."""

    def __init__(self, first_s: float, last_s: float, low: float, high: float) -> None:
        self._first, self._last, self._low, self._high = first_s, last_s, low, high
        self._span = (high - low) * 1.16  # a little air above and below the curve

    def x(self, seconds: float) -> float:
        share = (seconds - self._first) / (self._last - self._first)
        return round(_LEFT + share * (_WIDTH - _LEFT - _RIGHT), 1)

    def y(self, value: float) -> float:
        share = (value - self._low) / self._span + 0.07
        return round(_HEIGHT - _BOTTOM - share * (_HEIGHT - _TOP - _BOTTOM), 1)

    def axes(self) -> str:
        bottom = _HEIGHT - _BOTTOM
        per, unit = (3600.0, "h") if self._last - self._first > 7200 else (60.0, "min")
        marks = "".join(
            f'<text x="{self.x(s)}" y="{bottom + 14}" text-anchor="middle">{s / per:.3g}</text>'
            for s in (self._first, 0.0, self._last / 2, self._last)
        )
        heights = "".join(
            f'<text x="{_LEFT - 6}" y="{self.y(v) + 4}" text-anchor="end">{v:.4g}</text>'
            for v in (self._low, (self._low + self._high) / 2, self._high)
        )
        return (
            f'<path d="M{_LEFT} {_TOP}V{bottom}H{_WIDTH - _RIGHT}" fill="none" stroke="#999"/>'
            f'{marks}{heights}<text x="{_WIDTH - _RIGHT}" y="{_HEIGHT - 2}" text-anchor="end">'
            f"{unit} since the failure began</text>"
        )

    def level(self, value: float | None) -> str:
        if value is None:
            return ""
        y = self.y(value)
        return (
            f'<path d="M{_LEFT} {y}H{_WIDTH - _RIGHT}" stroke="#777" stroke-dasharray="1 4"/>'
            f'<text x="{_WIDTH - _RIGHT}" y="{y - 3}" text-anchor="end">limit {value:g}</text>'
        )

    def moment(self, seconds: float | None, word: str, dash: str, height: float) -> str:
        if seconds is None or not self._first <= seconds <= self._last:
            return ""
        x = self.x(seconds)
        side = f'x="{x + 4}"' if x < _WIDTH - 60 else f'x="{x - 4}" text-anchor="end"'
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        return (
            f'<path d="M{x} {_TOP}V{_HEIGHT - _BOTTOM}" stroke="#111"{dashes}/>'
            f'<text {side} y="{height}">{word}</text>'
        )

    def curve(self, points: Sequence[tuple[float, float]]) -> str:
        steps = "L".join(f"{self.x(s)} {self.y(v)}" for s, v in points)
        return f'<path d="M{steps}" fill="none" stroke="#1d5b79" stroke-width="1.5"/>'


def _near(points: Sequence[tuple[float, float]]) -> Sequence[tuple[float, float]]:
    """Return the points from a little before the failure on."""
    before_s = 0.25 * points[-1][0] if points else 0.0
    return [point for point in points if point[0] >= -before_s]


def _thinned(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return at most so many points: of each stretch its lowest and highest."""
    if len(points) <= _MOST_POINTS:
        return list(points)
    size = -(-len(points) // (_MOST_POINTS // 2))
    kept: list[tuple[float, float]] = []
    for start in range(0, len(points), size):
        stretch = points[start : start + size]
        ends = {min(stretch, key=lambda p: p[1]), max(stretch, key=lambda p: p[1])}
        kept += sorted(ends)
    return kept
