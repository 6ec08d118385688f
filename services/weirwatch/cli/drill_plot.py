"""One curve of a drill as inline SVG: limit, alarm and harm told apart by dash and word."""

from collections.abc import Sequence
from html import escape

from weirwatch.pipeline.plot import TOP, Frame, drawing, thinned


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
    near = _near(points)
    shown = thinned(near)
    if len(shown) < 2:
        return f'<p class="small">{escape(label)}: no readings.</p>'
    values = [value for _, value in shown] + ([limit] if limit is not None else [])
    frame = Frame(near[0][0], near[-1][0], min(values), max(values))
    per, unit = (3600.0, "h") if frame.last - frame.first > 7200 else (60.0, "min")
    marks = [(s, f"{s / per:.3g}") for s in (frame.first, 0.0, frame.last / 2, frame.last)]
    return drawing(
        label,
        (
            frame.axes(marks, f"{unit} since the failure began"),
            frame.level(limit),
            frame.moment(0.0, "failure", "2 3", TOP + 9),
            frame.moment(alarm_s, "told", "", TOP + 21),
            frame.moment(harm_s, "harm", "7 3", TOP + 33),
            frame.curve(shown),
        ),
    )


def _near(points: Sequence[tuple[float, float]]) -> Sequence[tuple[float, float]]:
    """Return the points from a little before the failure on."""
    before_s = 0.25 * points[-1][0] if points else 0.0
    return [point for point in points if point[0] >= -before_s]
