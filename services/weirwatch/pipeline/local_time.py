"""Times as people read them, in the keeper's time zone."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from weirwatch.domain.instant import Micros

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def local_time(time: Micros, zone: ZoneInfo) -> str:
    """Return date and time to the second in the zone, with its abbreviation."""
    moment = (_EPOCH + timedelta(microseconds=time)).astimezone(zone)
    return moment.strftime("%Y-%m-%d %H:%M:%S %Z")


def clock_time(time: Micros, zone: ZoneInfo) -> str:
    """Return the time of day to the minute in the zone."""
    return (_EPOCH + timedelta(microseconds=time)).astimezone(zone).strftime("%H:%M")


def duration(span: Micros) -> str:
    """Return a span in its two largest units: 3 d 4 h, 5 min 20 s, 8 s."""
    left = max(0, span // 1_000_000)
    parts: list[str] = []
    for size, unit in ((86_400, "d"), (3_600, "h"), (60, "min"), (1, "s")):
        count, left = divmod(left, size)
        if count or (unit == "s" and not parts):
            parts.append(f"{count} {unit}")
        if len(parts) == 2:
            break
    return " ".join(parts)
