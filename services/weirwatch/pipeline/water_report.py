"""`report water`: budgets, swings, evaporation, and what moves out of band and when.

Out of the keeper's log and the history; plain JSON data, for API and command line alike.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from statistics import median
from typing import Any
from zoneinfo import ZoneInfo

from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND, Micros, to_rfc3339
from weirwatch.domain.keeper_log import LogEntry
from weirwatch.domain.reading import Channel
from weirwatch.domain.rule import Absolute, Side
from weirwatch.pipeline.log_units import MEASURES
from weirwatch.pipeline.plant_figures import volume_l
from weirwatch.pipeline.water_budget import DAY, Budget, budget
from weirwatch.ports import Archive, Bucket
from weirwatch.settings import Settings
from weirwatch.water.fits import theil_sen_slope

Json = dict[str, Any]
DEFAULT_SPAN: Micros = 30 * DAY
FORECAST_DAYS = 90.0  # what lies further off is not told
_HOUR: Micros = 3600 * SECOND
_ENOUGH_HOURS = 18  # of a day must have readings
_MOST_ENTRIES = 100_000

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
class _Trend:
    slope: float
    slow: float
    fast: float
    last: float
    last_day: float


def water_report_json(
    archive: Archive, settings: Settings, system: str, start: Micros, end: Micros
) -> Json:
    """Return the report on one system over `[start, end)`."""
    entries = current_entries(archive, system, end)
    plant = settings.plant
    volume = volume_l(plant) if plant is not None and plant.system == system else None
    channels = [c for c in settings.channels if c.system == system]
    zone = settings.service.time_zone
    evaporated = {d.channel for d in settings.derived if d.formula == "evaporation"}
    days = {c.id: _days(archive, c.id, start, end, zone) for c in channels if not c.is_switch}
    return {
        "system": system,
        "from": to_rfc3339(start),
        "to": to_rfc3339(end),
        "budgets": [
            _budget(budget(entries, name, volume, start / DAY, end / DAY))
            for name in ("alkalinity", "calcium", "magnesium")
        ],
        "ph_swing": [_swing(c, days[c.id]) for c in channels if c.quantity == "ph"],
        "temperature_swing": [
            _swing(c, days[c.id]) for c in channels if c.quantity == "temperature"
        ],
        "evaporation": [_level(c, days[c.id]) for c in channels if c.id in evaporated],
        "moving": [
            *_moving_tests(entries, start, end),
            *_moving_channels(settings, channels, days),
        ],
    }


def current_entries(archive: Archive, system: str, end: Micros) -> list[LogEntry]:
    """Return a system's entries up to a time; those that were corrected are left out."""
    found: list[LogEntry] = []
    after = 0
    while len(found) < _MOST_ENTRIES:
        more = archive.log(None, end, (), after, 1000)
        if not more:
            break
        found.extend(e for e in more if e.system == system and e.replaced_by is None)
        after = more[-1].number
    return found


def _budget(made: Budget) -> Json:
    unit = MEASURES[made.quantity].unit
    return {
        "quantity": made.quantity,
        "unit": f"{unit}/day",
        "tests": made.tests,
        "from": _time(made.first),
        "to": _time(made.last),
        "consumption": None if made.consumption is None else made.consumption.per_day,
        "standard_error": None if made.consumption is None else made.consumption.standard_error,
        "recent": None if made.recent is None else made.recent.per_day,
        "recent_error": None if made.recent is None else made.recent.standard_error,
        "reactor": made.reactor,
        "reactor_share": made.share(made.reactor),
        "dosed": made.dosed,
        "dosed_share": made.share(made.dosed),
        "water_changes": made.changed,
        "doubtful_tests": list(made.doubtful),
        "flags": [
            {
                "what": flag.what,
                "from": _time(flag.from_day),
                "to": _time(flag.to_day),
                "amount": flag.amount,
                "unit": unit,
            }
            for flag in made.flags
        ],
    }


@dataclass(frozen=True, slots=True)
class _Day:
    """One whole day of a channel: its hourly means' extremes and their mean."""

    day: float
    low: float
    high: float
    mean: float


def _days(archive: Archive, channel: str, start: Micros, end: Micros, zone: ZoneInfo) -> list[_Day]:
    """Return the days, by the keeper's own midnight of now, that have enough hours."""
    begin = start // _HOUR * _HOUR
    points = max(1, -(-(end - begin) // _HOUR))
    try:
        hours = archive.series(channel, begin, begin + points * _HOUR, points)
    except KeyError:  # configured, and not a reading yet
        return []
    offset = _offset(zone, end)
    by_day: dict[int, list[Bucket]] = {}
    for hour in hours:
        by_day.setdefault((hour.start + offset) // DAY, []).append(hour)
    return [
        _Day(
            day,
            min(h.mean for h in some),
            max(h.mean for h in some),
            sum(h.mean for h in some) / len(some),
        )
        for day, some in sorted(by_day.items())
        if len(some) >= _ENOUGH_HOURS
    ]


def _offset(zone: ZoneInfo, time: Micros) -> Micros:
    from datetime import UTC, datetime

    there = datetime.fromtimestamp(time // SECOND, UTC).astimezone(zone).utcoffset()
    return 0 if there is None else round(there.total_seconds()) * SECOND


def _swing(channel: Channel, days: Sequence[_Day]) -> Json:
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
    }


def _level(channel: Channel, days: Sequence[_Day]) -> Json:
    means = [day.mean for day in days]
    half = len(means) // 2
    return {
        "channel": channel.id,
        "title": channel.label,
        "unit": channel.unit,
        "days": len(means),
        "usual": median(means) if means else None,
        "first_half": median(means[:half]) if half else None,
        "second_half": median(means[half:]) if half else None,
    }


def _moving_tests(entries: Sequence[LogEntry], start: Micros, end: Micros) -> list[Json]:
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
        unit = MEASURES[quantity].unit
        item = _moving(_trend(tests), low, high)
        if item is not None:
            found.append({"what": f"{quantity} (hand tests)", "unit": unit, **item})
    return found


def _moving_channels(
    settings: Settings, channels: Sequence[Channel], days: Mapping[str, Sequence[_Day]]
) -> list[Json]:
    found = []
    for channel in channels:
        low, high = _limits(settings, channel.id)
        item = _moving(_trend([(d.day, d.mean) for d in days.get(channel.id, ())]), low, high)
        if item is not None:
            found.append({"what": channel.id, "unit": channel.unit, **item})
    return found


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


def _trend(points: Sequence[tuple[float, float]]) -> _Trend | None:
    """Return a robust line with the spread of its slope, or None with fewer than five points.

    The spread: slopes of each half of the points' pairs further from the middle (the quartiles of
    all pairs' slopes), common practice for Theil-Sen lines.
    """
    points = [point for at, point in enumerate(points) if not at or point[0] > points[at - 1][0]]
    if len(points) < 5:
        return None
    points = points[-400:]
    days, values = [p[0] for p in points], [p[1] for p in points]
    slopes = sorted(
        (values[j] - values[i]) / (days[j] - days[i])
        for i in range(len(points))
        for j in range(i + 1, len(points))
    )
    slope = theil_sen_slope(days, values)
    middle = median(v - slope * d for d, v in points)
    return _Trend(
        slope,
        slopes[len(slopes) // 4],
        slopes[-1 - len(slopes) // 4],
        middle + slope * days[-1],
        days[-1],
    )


def _moving(trend: _Trend | None, low: float, high: float) -> Json | None:
    """Return what leaves its band within `FORECAST_DAYS`, or is outside; else None."""
    if trend is None:
        return None
    head = {"value": trend.last, "per_day": trend.slope}
    for limit, outside in ((low, trend.last < low), (high, trend.last > high)):
        if outside:
            now = _time(trend.last_day)
            return {**head, "limit": limit, "at": now, "earliest": now, "latest": now}
    limit = high if trend.slope > 0.0 else low
    if not isfinite(limit) or trend.slope == 0.0 or trend.slow * trend.fast <= 0.0:
        return None  # it may as well go the other way: nothing is told
    fast, slow = sorted(
        ((limit - trend.last) / slope for slope in (trend.slow, trend.fast)), key=abs
    )
    at = (limit - trend.last) / trend.slope
    if at > FORECAST_DAYS:
        return None
    ends = {"at": at, "earliest": fast, "latest": min(slow, 10.0 * FORECAST_DAYS)}
    told = {name: _time(trend.last_day + days) for name, days in ends.items()}
    return {**head, "limit": limit, **told}


def _time(day: float) -> str:
    return to_rfc3339(round(day * DAY) // SECOND * SECOND)


def system_of(settings: Settings, named: str) -> str:
    """Return the system that is meant: the one that is named, else the only one.

    Raises:
        ConfigError: there are several, or none of that id.
    """
    known = [system.id for system in settings.systems]
    if named and named not in known:
        raise ConfigError(f"system {named!r} is none of {', '.join(known)}")
    if not named and len(known) > 1:
        raise ConfigError(f"say which system: {', '.join(known)}")
    return named or known[0]
