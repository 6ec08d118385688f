"""A channel day by day, as `report water` looks at it: swings, levels, and what is new of late."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from statistics import median
from typing import Any
from zoneinfo import ZoneInfo

from weirwatch.domain.instant import SECOND, Micros, to_rfc3339
from weirwatch.domain.reading import Channel
from weirwatch.ports import Archive

Json = dict[str, Any]
HOUR: Micros = 3600 * SECOND
DAY: Micros = 24 * HOUR
ENOUGH_HOURS = 18  # of a day must have readings
OF_LATE_DAYS = 14
TWICE = 2.0  # evaporation above so many times its usual value is worth a look (common practice)

Hours = Mapping[Micros, float]  # start of the hour → mean


@dataclass(frozen=True, slots=True)
class Day:
    """One whole day of a channel: its hourly means' extremes and their mean.

    Attributes:
        day: days since 1970 on the keeper's clock.
    """

    day: int
    low: float
    high: float
    mean: float


def hours_of(archive: Archive, channel: str, start: Micros, end: Micros) -> Hours:
    """Return the hourly means of a channel; empty for one that has no reading yet."""
    begin = start // HOUR * HOUR
    points = max(1, -(-(end - begin) // HOUR))
    try:
        found = archive.series(channel, begin, begin + points * HOUR, points)
    except KeyError:  # configured, and not a reading yet
        return {}
    return {bucket.start: bucket.mean for bucket in found}


def days_of(hours: Hours, offset: Micros) -> list[Day]:
    """Return the days, by the keeper's own midnight, that have enough hours."""
    by_day: dict[int, list[float]] = {}
    for hour, mean in hours.items():
        by_day.setdefault((hour + offset) // DAY, []).append(mean)
    return [
        Day(day, min(some), max(some), sum(some) / len(some))
        for day, some in sorted(by_day.items())
        if len(some) >= ENOUGH_HOURS
    ]


def offset_of(zone: ZoneInfo, time: Micros) -> Micros:
    """Return by how much the keeper's clock is ahead of UTC at a time."""
    there = datetime.fromtimestamp(time // SECOND, UTC).astimezone(zone).utcoffset()
    return 0 if there is None else round(there.total_seconds()) * SECOND


def swing_json(channel: Channel, days: Sequence[Day], offset: Micros) -> Json:
    """Return how a channel swings within a day."""
    swings = [day.high - day.low for day in days]
    return {
        "channel": channel.id,
        "title": channel.label,
        "unit": channel.unit,
        "days": len(days),
        "usual": median(swings) if swings else None,
        "greatest": max(swings, default=None),
        "lowest": min((day.low for day in days), default=None),
        "highest": max((day.high for day in days), default=None),
        "daily": [{"from": _start(day, offset), "low": day.low, "high": day.high} for day in days],
    }


def level_json(channel: Channel, days: Sequence[Day], offset: Micros) -> Json:
    """Return a channel's usual daily value, and the newest day against the fourteen before it."""
    means = [day.mean for day in days]
    half = len(means) // 2
    last = days[-1] if days else None
    before = [d.mean for d in days[:-1] if last and last.day - d.day <= OF_LATE_DAYS]
    usual = median(before) if len(before) >= OF_LATE_DAYS // 2 else None
    change = last.mean / usual if last is not None and usual is not None and usual > 0.0 else None
    return {
        "channel": channel.id,
        "title": channel.label,
        "unit": channel.unit,
        "days": len(means),
        "usual": median(means) if means else None,
        "first_half": median(means[:half]) if half else None,
        "second_half": median(means[half:]) if half else None,
        "last": None if last is None else last.mean,
        "of_late": usual,
        "change": change,
        "unusual": change is not None and not 1.0 / TWICE < change < TWICE,
        "daily": [{"from": _start(day, offset), "mean": day.mean} for day in days],
    }


def _start(day: Day, offset: Micros) -> str:
    return to_rfc3339(day.day * DAY - offset)
