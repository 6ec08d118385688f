"""What moves out of its band, and when: a robust line through days or hand tests, with an interval.

The line is Theil-Sen's; the interval of its slope is Sen's, from the number of pairs of points that
rise or fall. A slope whose interval holds 0 is told as no movement.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite, sqrt
from statistics import median
from typing import Any

from weirwatch.domain.instant import SECOND, to_rfc3339
from weirwatch.domain.keeper_log import LogEntry
from weirwatch.domain.reading import Channel
from weirwatch.domain.rule import Absolute, Side
from weirwatch.pipeline.log_units import MEASURES
from weirwatch.pipeline.water_days import DAY, Day
from weirwatch.settings import Settings
from weirwatch.water.fits import theil_sen_interval, theil_sen_slope

Json = dict[str, Any]
FORECAST_DAYS = 90.0  # what lies further off is not told
CONFIDENCE = 0.9
OF_LATE_DAYS = 30.0  # further back other things were so: a step there would pass for a slope
_FEWEST = 5
_MOST = 400
_TO_SIGMA = 1.4826  # median absolute deviation to standard deviation, normal distribution

# Warning limits of hand-tested values, common practice, no source: (low, high).
BANDS: Mapping[str, tuple[float, float]] = {
    "alkalinity": (7.0, 10.5),
    "calcium": (380.0, 470.0),
    "magnesium": (1220.0, 1450.0),
    "nitrate": (0.5, 20.0),
    "phosphate": (0.01, 0.15),
    "salinity": (33.5, 36.0),
}


@dataclass(frozen=True, slots=True)
class Trend:
    """A robust line; slopes per day.

    Attributes:
        low, high: bounds of the slope at `CONFIDENCE`.
        last, last_day: where the line stands at its last point, in days since 1970.
        last_error: of that value, one standard deviation.
    """

    slope: float
    low: float
    high: float
    last: float
    last_day: float
    last_error: float

    @property
    def moves(self) -> bool:
        """Whether both bounds of the slope go the same way."""
        return self.low * self.high > 0.0


def trend_of(points: Sequence[tuple[float, float]]) -> Trend | None:
    """Return the line through (day, value), or None with fewer than five points."""
    points = [point for at, point in enumerate(points) if not at or point[0] > points[at - 1][0]]
    if len(points) < _FEWEST:
        return None
    points = points[-_MOST:]
    days, values = [p[0] for p in points], [p[1] for p in points]
    slope = theil_sen_slope(days, values)
    low, high = theil_sen_interval(days, values, CONFIDENCE)
    offsets = [v - slope * d for d, v in points]
    middle = median(offsets)
    spread = _TO_SIGMA * median(abs(offset - middle) for offset in offsets)
    # twice the error of the middle: the end of a line is twice as far off (least squares)
    error = 2.0 * spread / sqrt(len(points))
    return Trend(slope, low, high, middle + slope * days[-1], days[-1], error)


def trend_json(trend: Trend | None) -> Json | None:
    """Return a trend as API and command line show it."""
    if trend is None:
        return None
    return {"per_day": trend.slope, "per_day_low": trend.low, "per_day_high": trend.high}


def moving_tests(entries: Sequence[LogEntry], start: int, end: int) -> list[Json]:
    """Return which hand-tested values leave their usual band."""
    found = []
    for quantity, (low, high) in BANDS.items():
        tests = sorted(
            (e.time / DAY, e.value)
            for e in entries
            if e.kind == "test"
            and e.subject == quantity
            and e.value is not None
            and start <= e.time < end
        )
        item = _moving(trend_of(_of_late(tests, end / DAY)), low, high)
        if item is not None:
            unit = MEASURES[quantity].unit
            found.append({"what": f"{quantity} (hand tests)", "unit": unit, **item})
    return found


def moving_channels(
    settings: Settings,
    channels: Sequence[Channel],
    days: Mapping[str, Sequence[Day]],
    offset: int,
    end: int,
) -> list[Json]:
    """Return which channels' daily means leave the limits of their own rules."""
    found = []
    for channel in channels:
        low, high = _limits(settings, channel.id)
        noon = 0.5 - offset / DAY
        points = [(d.day + noon, d.mean) for d in days.get(channel.id, ())]
        item = _moving(trend_of(_of_late(points, end / DAY)), low, high)
        if item is not None:
            found.append({"what": channel.id, "unit": channel.unit, **item})
    return found


def _of_late(points: Sequence[tuple[float, float]], end: float) -> list[tuple[float, float]]:
    """Return the points of the last thirty days; too few for a line: the last few instead."""
    late = [point for point in points if point[0] > end - OF_LATE_DAYS]
    return late if len(late) >= _FEWEST else list(points[-_FEWEST:])


def _limits(settings: Settings, channel: str) -> tuple[float, float]:
    """Return the narrowest limits of the channel's own absolute rules."""
    low, high = float("-inf"), float("inf")
    for rule in settings.rules:
        if rule.channel == channel and isinstance(rule.condition, Absolute):
            if rule.condition.side is Side.LOW:
                low = max(low, rule.condition.limit)
            else:
                high = min(high, rule.condition.limit)
    return low, high


def _moving(trend: Trend | None, low: float, high: float) -> Json | None:
    """Return what leaves its band within `FORECAST_DAYS`, or is outside; else None."""
    if trend is None:
        return None
    head = {"value": trend.last, "per_day": trend.slope}
    head |= {"per_day_low": trend.low, "per_day_high": trend.high}
    for limit, outside in ((low, trend.last < low), (high, trend.last > high)):
        if outside:
            now = time_of(trend.last_day)
            return {**head, "limit": limit, "at": now, "earliest": now, "latest": now}
    limit = high if trend.slope > 0.0 else low
    if not isfinite(limit) or not trend.moves:
        return None  # it may as well go the other way: nothing is told
    way = abs(limit - trend.last)
    slopes = sorted((abs(trend.low), abs(trend.high)))
    at = way / abs(trend.slope)
    if at > FORECAST_DAYS:
        return None
    earliest = max(0.0, way - 2.0 * trend.last_error) / slopes[1]
    latest = min((way + 2.0 * trend.last_error) / slopes[0], 10.0 * FORECAST_DAYS)
    ends = {"at": at, "earliest": earliest, "latest": latest}
    told = {name: time_of(trend.last_day + days) for name, days in ends.items()}
    return {**head, "limit": limit, **told}


def time_of(day: float) -> str:
    """Return a moment in days since 1970 as RFC 3339, whole seconds."""
    return to_rfc3339(round(day * DAY) // SECOND * SECOND)
