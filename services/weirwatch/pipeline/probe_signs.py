"""Signs of a probe's health in its own readings: noise, drop-outs, and drift against another."""

from collections.abc import Sequence
from itertools import pairwise
from statistics import median
from typing import Any

from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Channel, Quality
from weirwatch.pipeline.water_days import DAY, HOUR, Hours
from weirwatch.pipeline.water_moving import trend_json, trend_of
from weirwatch.ports import Archive

Json = dict[str, Any]
NOISE_SPAN: Micros = 6 * HOUR
_MOST_READINGS = 5000
_FEWEST_STEPS = 30
# Standard deviation of one reading from the median step between two: 1 / (0.6745 √2), normal noise.
_OF_STEPS = 1.0484


def noise(archive: Archive, channel: str, end: Micros) -> float | None:
    """Return the noise of one reading, one standard deviation, over six hours before a time.

    From the steps between neighbouring good readings, so that what moves slowly does not count.
    None: too few readings, or it is finer than the probe's own steps.
    """
    try:
        found = archive.readings(channel, end - NOISE_SPAN, end, None, _MOST_READINGS)
    except KeyError:
        return None
    good = [reading.value for reading in found if reading.quality is Quality.GOOD]
    steps = [abs(after - before) for before, after in pairwise(good)]
    if len(steps) < _FEWEST_STEPS:
        return None
    return _OF_STEPS * median(steps) or None


def drop_outs(archive: Archive, channel: Channel, start: Micros, end: Micros) -> Json:
    """Return which part of the expected readings came, and how many hours had none at all.

    Nothing is said of a channel that reports on change, or before its first reading.
    """
    nothing: Json = {"received": None, "empty_hours": None, "seen": None}
    if channel.expected_every is None:
        return nothing
    try:
        span = archive.span(channel.id)
    except KeyError:
        return nothing
    if span is None or span[0] >= end:
        return nothing
    begin = -(-max(start, span[0]) // HOUR) * HOUR  # whole hours only
    hours = (end - begin) // HOUR
    if hours < 1:
        return nothing
    found = archive.series(channel.id, begin, begin + hours * HOUR, hours)
    expected = hours * HOUR / channel.expected_every
    count = sum(min(bucket.count, HOUR // channel.expected_every + 1) for bucket in found)
    return {
        "received": min(1.0, count / expected),
        "empty_hours": hours - len(found),
        "seen": len(found) / hours,
    }


def drift(differences: Sequence[tuple[float, float]]) -> Json:
    """Return the median of the differences (day, probe less the other), and how it moves."""
    values = [value for _, value in differences]
    trend = trend_of(sorted(differences))
    return {"median": median(values) if values else None, "trend": trend_json(trend)}


def by_day(own: Hours, other: Hours) -> list[tuple[float, float]]:
    """Return the median difference of each day that both have, in days since 1970."""
    days: dict[int, list[float]] = {}
    for hour in own.keys() & other.keys():
        days.setdefault(hour // DAY, []).append(own[hour] - other[hour])
    return [(float(day), median(some)) for day, some in sorted(days.items())]
