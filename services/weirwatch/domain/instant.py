"""Time as the engine sees it: whole microseconds since 1970-01-01T00:00Z.

Whole microseconds keep deadlines exact: `t + on_delay` is an integer sum, and what is written
down compares equal to what was computed.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

Micros = int  # a point in time (since the Unix epoch) or a span, in microseconds

SECOND: Micros = 1_000_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NAIVE_EPOCH = _EPOCH.replace(tzinfo=None)


@dataclass(frozen=True, slots=True)
class Instant:
    """One moment on both clocks.

    Attributes:
        utc: microseconds since the Unix epoch; for records. May jump (a board boots wrong).
        mono: microseconds of a clock that never jumps; for spans between readings.
    """

    utc: Micros
    mono: Micros


def micros(seconds: float) -> Micros:
    """Return a span or Unix time in seconds as whole microseconds, rounded to nearest."""
    return round(seconds * SECOND)


def seconds(span: Micros) -> float:
    """Return microseconds as seconds."""
    return span / SECOND


def to_rfc3339(time: Micros) -> str:
    """Return the time as RFC 3339 in UTC, with as many decimals (0, 3 or 6) as it needs."""
    moment = _NAIVE_EPOCH + timedelta(microseconds=time)  # every time in an answer goes this way
    if time % SECOND == 0:
        spec = "seconds"
    elif time % 1000 == 0:
        spec = "milliseconds"
    else:
        spec = "microseconds"
    return moment.isoformat(timespec=spec) + "Z"


def file_stamp(time: Micros) -> str:
    """Return the time as it may stand in a file's name: 20260501T120000Z."""
    return to_rfc3339(time // SECOND * SECOND).replace("-", "").replace(":", "")


def from_rfc3339(text: str) -> Micros:
    """Return the time of an RFC 3339 text with an offset or Z.

    Raises:
        ValueError: not RFC 3339, or without an offset.
    """
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"time {text!r} has no offset: write it with Z, as 2026-05-01T12:00:00Z")
    span = moment - _EPOCH
    return (span.days * 86_400 + span.seconds) * SECOND + span.microseconds
