"""The home of what may stand in an address or a header: times, cursors, counts, the operator."""

import contextlib
import re
from typing import Annotated

from fastapi import Header, Path
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema
from pydantic.json_schema import SkipJsonSchema

from weirwatch.domain.alarm import AlarmState
from weirwatch.domain.attendance import NOBODY
from weirwatch.domain.instant import SECOND, Micros, from_rfc3339
from weirwatch.web.tables import Format

EARLIEST: Micros = from_rfc3339("0001-01-01T00:00:00Z")
LATEST: Micros = from_rfc3339("9999-12-31T23:59:59Z")
DAY: Micros = 86_400 * SECOND
MOST_CHANNELS = 50  # of one query

_RFC3339 = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d):(\d\d)(\.\d+)?([Zz]|[+-]\d\d:\d\d)", re.ASCII
)


def parse_time(text: object) -> Micros:
    """Return the time of an RFC 3339 text.

    A leap second is the first moment of the next one; times beyond the years 1 to 9999 in UTC
    are drawn to that range.

    Raises:
        ValueError: it is none; the sentence says how to write one.
    """
    found = _RFC3339.fullmatch(text) if isinstance(text, str) else None
    if found is None:
        raise ValueError("write the time as 2026-05-01T12:00:00Z; a + in an address is written %2B")
    day, minute, second, fraction, offset = found.groups()
    leap = second == "60"
    plain = f"{day}T{minute}:{'59' if leap else second}{fraction or ''}{offset.upper()}"
    time = from_rfc3339(plain) + (SECOND if leap else 0)
    return min(max(time, EARLIEST), LATEST)


def _whole(value: object) -> object:
    if isinstance(value, str) and not re.fullmatch(r"-?\d{1,18}", value, re.ASCII):
        raise ValueError("write a whole number")
    return value


def _flag(value: object) -> object:
    if isinstance(value, str) and value not in ("true", "false"):
        raise ValueError("write true or false")
    return value


Time = Annotated[
    Micros,
    BeforeValidator(parse_time),
    WithJsonSchema({"type": "string", "format": "date-time"}),
]
_AS_WRITTEN = BeforeValidator(_whole)  # no 1_000, no 5.0
_TRUE_OR_FALSE = BeforeValidator(_flag)  # no yes, no 1
Left = SkipJsonSchema[None]  # left out; there is no null in an address
Cursor = Annotated[
    str, Field(pattern=r"^[0-9]{1,18}$", description="`next` of the page before, unchanged.")
]
ChannelId = Annotated[
    str, Path(examples=["harbour-hall/sump-node/level"], description="May contain slashes.")
]
RuleId = Annotated[str, Path(examples=["sump-level-high"], description="May contain slashes.")]
FailureId = Annotated[str, Path(examples=["sump-high"])]


class _Query(BaseModel):
    """A misspelt parameter is an error, not ignored."""

    model_config = ConfigDict(extra="forbid", populate_by_name=False)


class Range(_Query):
    """A span of time, `[from, to)`; empty when `from` is not before `to`."""

    from_: Annotated[
        Time | Left, Field(alias="from", description="A day before `to` if left out.")
    ] = None
    to: Annotated[Time | Left, Field(description="Now if left out.")] = None

    def span(self, now: Micros) -> tuple[Micros, Micros]:
        """Return start and end, defaults filled in."""
        end = now if self.to is None else self.to
        return max(EARLIEST, end - DAY) if self.from_ is None else self.from_, end


class TableQuery(Range):
    """Which part of a history, and how it is written."""

    format: Annotated[
        Format | Left, Field(description="Else as the header Accept says, else JSON.")
    ] = None


class SeriesQuery(TableQuery):
    """How much of a series."""

    points: Annotated[
        int, Field(ge=1, le=5000, description="At most so many buckets."), _AS_WRITTEN
    ] = 300

    weighted: Annotated[
        bool,
        Field(description="Add `time_mean`, the mean weighted by time: reads every reading."),
        _TRUE_OR_FALSE,
    ] = False


class SeriesOfSeveralQuery(SeriesQuery):
    """Which channels, and how much of their series."""

    channel: Annotated[
        list[str],
        Field(
            min_length=1,
            max_length=MOST_CHANNELS,
            description="Channel id; repeat it for several. One named twice is told once.",
            examples=[["harbour-hall/sump-node/level", "harbour-hall/sump-node/return-flow"]],
        ),
    ]


class ReadingsQuery(TableQuery):
    """Which readings."""

    cursor: Cursor | Left = None
    limit: Annotated[int, Field(ge=1, le=10_000), _AS_WRITTEN] = 1000


class EventsQuery(_Query):
    """Which events."""

    from_: Annotated[Time | Left, Field(alias="from")] = None
    to: Time | Left = None
    cursor: Cursor | Left = None
    limit: Annotated[int, Field(ge=1, le=1000), _AS_WRITTEN] = 100


class NoticesQuery(_Query):
    """Which notices."""

    cursor: Cursor | Left = None
    limit: Annotated[int, Field(ge=1, le=1000), _AS_WRITTEN] = 100


class AuditQuery(_Query):
    """Which lines of the audit."""

    cursor: Cursor | Left = None
    limit: Annotated[int, Field(ge=1, le=1000), _AS_WRITTEN] = 100


class AlarmsQuery(_Query):
    """Which alarms."""

    state: Annotated[
        list[AlarmState], Field(description="Only these states; repeat it for several.")
    ] = []


class StreamQuery(_Query):
    """Where a stream of events begins."""

    cursor: Cursor | Left = None


LastEventId = Annotated[
    str | Left,
    Header(pattern=r"^[0-9]{1,18}$", description="`seq` of the last event that was seen."),
]
Operator = Annotated[
    str | Left,
    Header(
        max_length=200, description=f"Who gives the command; {NOBODY} if left out.", examples=["mk"]
    ),
]


def operator_name(header: str | None) -> str:
    """Return who gives a command: the header as UTF-8 without control characters."""
    if header is None:
        return NOBODY
    with contextlib.suppress(UnicodeError):  # what an HTTP header carries are bytes
        header = header.encode("latin-1").decode()
    return tidy(header).strip() or NOBODY


def tidy(text: str) -> str:
    """Return text without control characters but line feeds and tabs."""
    return "".join(c if c.isprintable() or c in "\n\t" else " " for c in text)
