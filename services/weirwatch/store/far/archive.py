"""The read side with a history on a server: the recent from the file, the rest from the server.

Everything but readings and series is in the file. A range that the server need not be asked for
is answered without it.
"""

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Quality, Reading
from weirwatch.ports import Bucket
from weirwatch.store import hot
from weirwatch.store.block import HOUR, QUALITY_BITS, QUALITY_MASK, Readings, only
from weirwatch.store.blocks import DamageNotes
from weirwatch.store.far.history import FarHistory
from weirwatch.store.far.spool import Spool, spool_of
from weirwatch.store.history import reasons
from weirwatch.store.series import Grid, Piece, bucket_of, grid_of, joined, pieces_of
from weirwatch.store.sqlite_archive import SqliteArchive, longest_of, number_of
from weirwatch.store.standing import with_time_means

_FAR: Micros = 2**62
_PAGE = 50_000
_WEEK = 168 * HOUR
_EARLIEST: Micros = 0  # no server has readings of before 1970
_QUALITIES = tuple(Quality)


class FarArchive(SqliteArchive):
    """`ports.Archive` on the file and a server.

    Besides what `SqliteArchive` raises, readings and series raise `TransientError` when they need
    the server and it does not answer.
    """

    def __init__(self, path: Path, far: FarHistory) -> None:
        super().__init__(path)
        self._server = far

    def readings(
        self, channel: str, start: Micros, end: Micros, after: Micros | None, limit: int
    ) -> Sequence[Reading]:
        """Return readings of any quality in time order, later than `after`, at most `limit`."""
        if after is not None:
            start = max(start, after + 1)
        with self._reading() as connection:
            spool = spool_of(connection)
            number = number_of(connection, channel)
            recent, late = _in_file(connection, number, (start, end), spool, self._damage)
            texts = reasons(connection) if recent.code.any() or late.code.any() else {0: ""}
        found = {self._key(r.time): r for r in self._far(channel, start, end, spool, limit)}
        for reading in (*_told(channel, late, texts), *_told(channel, recent, texts)):
            found.setdefault(self._key(reading.time), reading)
        return sorted(found.values(), key=lambda reading: reading.time)[: max(0, limit)]

    def series_of(
        self,
        channels: Sequence[str],
        start: Micros,
        end: Micros,
        points: int,
        *,
        weighted: bool = False,
    ) -> Mapping[str, Sequence[Bucket]]:
        """Return the series of several channels, as `SqliteArchive.series_of` does."""
        if points < 1:
            raise ValueError(f"points = {points}: ask for at least one")
        with self._reading() as connection:
            spool = spool_of(connection)
            numbers = {channel: number_of(connection, channel) for channel in channels}
            if end <= start:
                return {channel: [] for channel in channels}
            parts = {
                channel: _in_file(connection, number, (start, end), spool, self._damage)
                for channel, number in numbers.items()
            }
            longest = {channel: longest_of(connection, n) for channel, n in numbers.items()}
        grid = grid_of(start, end, points, self._server.resolution)
        found = {channel: self._buckets(channel, grid, *parts[channel], spool) for channel in parts}
        if weighted:
            return {c: self._weighted(c, some, longest[c]) for c, some in found.items()}
        return found

    def _buckets(
        self, channel: str, grid: Grid, recent: Readings, late: Readings, spool: Spool
    ) -> list[Bucket]:
        pieces = list(pieces_of(_hours(recent), grid))
        if len(late.ts):
            pieces += pieces_of(_hours(self._unknown(channel, late)), grid)
        if spool.confirmed_end is not None and grid.start < spool.confirmed_end:
            pieces += self._far_pieces(channel, grid, min(grid.end, spool.confirmed_end))
        buckets = (bucket_of(piece, grid) for piece in joined(pieces))
        return sorted(buckets, key=lambda bucket: bucket.start)

    def _weighted(self, channel: str, found: Sequence[Bucket], longest: Micros) -> list[Bucket]:
        if not found:
            return []
        parts = self._pages(channel, found[0].start - longest, found[-1].end)
        return with_time_means(found, parts, longest, whole=False)

    def _pages(self, channel: str, start: Micros, end: Micros) -> Iterator[Readings]:
        """Yield the readings of a range, a week at a time: a server sorts what it is asked for."""
        start = max(start, _EARLIEST)
        span = _WEEK
        while start < end:
            until = min(end, start + span)
            some = self.readings(channel, start, until, None, _PAGE)
            if some:
                yield _columns(some)
            start = some[-1].time + 1 if len(some) == _PAGE else until
            span = _WEEK if some else span * 2  # hurry through gaps

    def _key(self, time: Micros) -> int:
        return time // self._server.resolution

    def _far(
        self, channel: str, start: Micros, end: Micros, spool: Spool, limit: int
    ) -> list[Reading]:
        if spool.confirmed_end is None:
            return []
        return self._server.readings(channel, start, min(end, spool.confirmed_end), limit)

    def _far_pieces(self, channel: str, grid: Grid, end: Micros) -> list[Piece]:
        """Return the pieces of whole buckets, and of those that the range or its end cuts off."""
        first = -((grid.origin - grid.start) // grid.width)
        last = (end - grid.origin) // grid.width
        if first >= last:
            return list(self._cut(channel, grid, grid.start, end))
        low, high = (grid.origin + place * grid.width for place in (first, last))
        return [
            *self._cut(channel, grid, grid.start, low),
            *self._server.pieces(channel, grid, first, last),
            *self._cut(channel, grid, high, end),
        ]

    def _cut(self, channel: str, grid: Grid, start: Micros, end: Micros) -> Iterator[Piece]:
        if start >= end:
            return iter(())
        found = self._server.readings(channel, start, end, 2**31)
        return pieces_of(_hours(_columns(found)), grid)

    def _unknown(self, channel: str, late: Readings) -> Readings:
        """Return those that the server does not have yet: they are on their way."""
        low, high = int(late.ts[0]), int(late.ts[-1]) + 1
        there = {self._key(r.time) for r in self._server.readings(channel, low, high, 2**31)}
        fresh = [self._key(time) not in there for time in late.ts.tolist()]
        return only(late, np.array(fresh, dtype=np.bool_))


def _in_file(
    connection: sqlite3.Connection,
    channel: int,
    span: tuple[Micros, Micros],
    spool: Spool,
    damage: DamageNotes,
) -> tuple[Readings, Readings]:
    """Return what of the range only the file can tell: the recent, and what came late."""
    start, end = span
    cut = min(end, max(start, spool.confirmed_end if spool.confirmed_end is not None else -_FAR))
    recent = hot.unpack(hot.between(connection, cut, end), damage)
    groups = hot.between(connection, start, cut) if start < cut else []
    late = hot.unpack([g for g in groups if g.id > spool.confirmed_upto], damage)
    return (
        hot.of_channel(recent, channel, cut, end),
        hot.of_channel(late, channel, start, cut),
    )


def _columns(found: Sequence[Reading]) -> Readings:
    return Readings(
        np.array([r.time for r in found], dtype=np.int64),
        np.array([r.value for r in found], dtype=np.float64),
        np.array([int(r.quality) for r in found], dtype=np.int64),
    )


def _hours(readings: Readings) -> list[tuple[int, Readings]]:
    """Return them as `pieces_of` wants them; it only asks for the order."""
    return [(int(readings.ts[0]) // HOUR, readings)] if len(readings.ts) else []


def _told(channel: str, readings: Readings, texts: Mapping[int, str]) -> Iterator[Reading]:
    for time, value, code in zip(
        readings.ts.tolist(), readings.value.tolist(), readings.code.tolist(), strict=True
    ):
        quality = _QUALITIES[code & QUALITY_MASK]
        yield Reading(channel, time, value, quality, texts[code >> QUALITY_BITS])
