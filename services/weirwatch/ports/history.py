"""The port of what was kept, for whoever reads."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

from weirwatch.domain.alarm import Alarm, Event
from weirwatch.domain.instant import Micros
from weirwatch.domain.keeper_log import LogEntry, Photo
from weirwatch.domain.reading import Channel, Reading
from weirwatch.ports.record import Newest, Notice
from weirwatch.ports.wire import NodeState, Quarantined


class Bucket(NamedTuple):
    """One bucket of a series: `[start, end)`. Empty buckets are not returned (gaps stay gaps).

    Attributes:
        mean: plain mean of the readings, each weighing the same.
        first, last: values of the first and the last reading.
        time_mean: mean weighted by time, see `Archive.series_of`; None where it was not asked for
            or is not known.
    """

    start: Micros
    end: Micros
    minimum: float
    mean: float
    maximum: float
    count: int  # type: ignore[assignment] # hides tuple.count, which nobody wants here
    first: float = math.nan
    last: float = math.nan
    time_mean: float | None = None


@dataclass(frozen=True, slots=True)
class StoredEvent:
    """An event with its place in commit order."""

    seq: int
    committed_at: Micros
    event: Event


class Archive(Protocol):
    """The read side of the file: short read-only transactions; safe from several threads.

    Times are microseconds; ranges are `[start, end)`. An unknown channel raises `KeyError`.
    """

    def channels(self) -> Sequence[Channel]:
        """Return all channels ever stored, by id."""
        ...

    def newest(self) -> Mapping[str, Newest]:
        """Return the newest reading of each channel."""
        ...

    def series(self, channel: str, start: Micros, end: Micros, points: int) -> Sequence[Bucket]:
        """Return at most `points` buckets of equal width; good and uncertain readings only."""
        ...

    def series_of(
        self,
        channels: Sequence[str],
        start: Micros,
        end: Micros,
        points: int,
        *,
        weighted: bool = False,
    ) -> Mapping[str, Sequence[Bucket]]:
        """Return the series of several channels by id, all on one grid of buckets.

        Weighted: with `time_mean`, for which every reading of the range is read. A reading stands
        until the next one, but not longer than its channel's `silent_after` (one hour where there
        is none); a bad one ends the standing of the one before and has none. The mean is the
        integral over the part of the bucket that is covered, divided by the length of that part.
        It is None where readings of the bucket are there no longer, or nothing of it is covered.
        """
        ...

    def readings(
        self, channel: str, start: Micros, end: Micros, after: Micros | None, limit: int
    ) -> Sequence[Reading]:
        """Return readings in time order, later than `after`, at most `limit`."""
        ...

    def span(self, channel: str) -> tuple[Micros, Micros] | None:
        """Return the times of the first and the last reading, or None."""
        ...

    def alarms(self) -> Mapping[str, Alarm]:
        """Return every alarm's committed state, by rule id."""
        ...

    def events(
        self, start: Micros | None, end: Micros | None, after_seq: int, limit: int
    ) -> Sequence[StoredEvent]:
        """Return events in commit order with seq > after_seq."""
        ...

    def last_seq(self) -> int:
        """Return the newest event's sequence number, 0 if none."""
        ...

    def notices(self, after: int, limit: int) -> Sequence[tuple[int, Notice]]:
        """Return (row number, notice), newest last, row number > after."""
        ...

    def notice(self, ident: str) -> Notice | None:
        """Return one notice, or None."""
        ...

    def undelivered(self, since: Micros) -> Sequence[Notice]:
        """Return notices that were tried in vain and wait, and those given up since then."""
        ...

    def tested(self) -> Mapping[str, Micros]:
        """Return by recipient when a test notice last arrived."""
        ...

    def first_event_at(self) -> Micros | None:
        """Return the time of the file's first event, or None."""
        ...

    def quarantined(self, limit: int) -> Sequence[Quarantined]:
        """Return the newest quarantined payloads first."""
        ...

    def quarantine_counts(self) -> Mapping[str, int]:
        """Return how many were quarantined since the file was made, by code."""
        ...

    def log(
        self,
        start: Micros | None,
        end: Micros | None,
        kinds: Sequence[str],
        after: int,
        limit: int,
    ) -> Sequence[LogEntry]:
        """Return entries of the keeper's log in order of recording, number > `after`.

        Only those of a time in `[start, end)`, and of these kinds if any are named.
        """
        ...

    def photo(self, number: int) -> tuple[Photo, bytes] | None:
        """Return a photo of the log and its bytes, or None.

        Raises `PermanentError` when the bytes are no longer those that were stored.
        """
        ...

    def nodes(self) -> Mapping[str, NodeState]:
        """Return what each node last said of its connection."""
        ...

    def close(self) -> None:
        """Close; idempotent."""
        ...
