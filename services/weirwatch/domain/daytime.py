"""Local time of day for `while = [{between = ["08:00", "20:00"]}]`."""

from datetime import UTC, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.rule import Between

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def holds_at(term: Between, time: Micros, zone: ZoneInfo) -> bool:
    """Return whether the local time of day lies in the span; an end before the start wraps."""
    minute = _minute_of_day(time // SECOND, zone)
    if term.start < term.end:
        return term.start <= minute < term.end
    return minute >= term.start or minute < term.end


@lru_cache(maxsize=16)
def _minute_of_day(utc_s: int, zone: ZoneInfo) -> int:
    local = (_EPOCH + timedelta(seconds=utc_s)).astimezone(zone)
    return local.hour * 60 + local.minute


def local_minute(time: Micros, zone: ZoneInfo) -> str:
    """Return date and time in the zone, to the nearest minute, with the zone's abbreviation."""
    moment = (_EPOCH + timedelta(microseconds=time + 30 * SECOND)).astimezone(zone)
    return moment.strftime("%Y-%m-%d %H:%M %Z")


def next_boundary(term: Between, after: Micros, zone: ZoneInfo) -> Micros:
    """Return the first start or end of the span later than `after`.

    A wall-clock time that daylight saving skips is taken an hour later, one that it repeats at
    its first occurrence (PEP 495, fold 0).
    """
    local = (_EPOCH + timedelta(microseconds=after)).astimezone(zone)
    found: list[Micros] = []
    for day in (-1, 0, 1, 2):
        date = local.date() + timedelta(days=day)
        for minute in (term.start, term.end):
            wall = datetime(
                date.year, date.month, date.day, minute // 60 % 24, minute % 60, tzinfo=zone
            )
            span = wall.astimezone(UTC) - _EPOCH
            found.append((span.days * 86_400 + span.seconds) * SECOND)
    return min(time for time in found if time > after)
