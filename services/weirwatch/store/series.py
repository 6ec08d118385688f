"""What a chart shows: a range cut into buckets, from the blocks' summaries where whole hours do.

Bad readings do not count. The mean is the plain mean of the readings, each weighing the same
however long it stood; the one weighted by time is in standing.py. An empty bucket is left out: a
gap stays a gap.
"""

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import repeat
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from weirwatch.domain.instant import Micros
from weirwatch.ports import Bucket
from weirwatch.store import history, spans
from weirwatch.store.block import BAD, HOUR, QUALITY_MASK, Readings, hour_of
from weirwatch.store.blocks import DamageNotes, Hours
from weirwatch.store.standing import with_time_means

_FAR: Micros = 2**61

# What `Bucket._make` does, without a call of Python for each of a year's 8760 hours.
_made = partial(tuple.__new__, Bucket)


class Piece(NamedTuple):
    """Readings of one bucket, summed up.

    Attributes:
        place: the bucket's number on the grid.
        since, until: the hours of the first and the last reading; no two pieces share an hour
            and a bucket.
    """

    place: int
    since: int
    until: int
    count: int  # type: ignore[assignment] # hides tuple.count, which nobody wants here
    low: float
    high: float
    total: float
    first: float
    last: float


_LET_GO = """
    SELECT 1 FROM block
    WHERE channel_id = ? AND t0 >= ? AND t0 < ? AND data_id IS NULL AND n > 0 LIMIT 1
"""


@dataclass(frozen=True, slots=True)
class Grid:
    """Where the buckets lie: bucket `k` is the part of [start, end) from `origin + k × width` on.

    Attributes:
        hourly: its edges are whole UTC hours.
    """

    origin: Micros
    width: Micros
    start: Micros
    end: Micros
    hourly: bool


def common_grid(
    connection: sqlite3.Connection,
    channels: Iterable[int],
    start: Micros,
    end: Micros,
    points: int,
) -> Grid | None:
    """Return at most `points` buckets over the range, the same for all channels; None: it is empty.

    All are of one width but the last, which ends with the range. From an hour on, they are whole
    hours, cut off where the range begins and ends. Where readings of one of the channels were let
    go, only its whole hours are known: then the buckets are hourly or wider, and cover the hours
    that the range touches.
    """
    if end <= start:
        return None
    grid = grid_of(start, end, points)
    if any(_lacks_readings(connection, channel, grid) for channel in channels):
        start, end = hour_of(start) * HOUR, -(-end // HOUR) * HOUR
        return _hourly_grid(start, end, points)
    return grid


def buckets(
    connection: sqlite3.Connection, channel: int, grid: Grid, damage: DamageNotes
) -> list[Bucket]:
    """Return the channel's buckets on a grid that `common_grid` has made for it."""
    if grid.hourly:
        return _hourly(connection, channel, grid, damage)
    hours = history.by_hour(connection, channel, grid.start, grid.end, damage)
    return [bucket_of(piece, grid) for piece in pieces_of(hours, grid)]


def weighted(
    connection: sqlite3.Connection,
    channel: int,
    found: Sequence[Bucket],
    longest: Micros,
    damage: DamageNotes,
) -> list[Bucket]:
    """Return the channel's buckets with the mean weighted by time; reads every reading."""
    if not found:
        return []
    start, end = found[0].start - longest, found[-1].end
    parts = (part for _, part in history.by_hour(connection, channel, start, end, damage))
    return with_time_means(found, parts, longest, whole=True)


def grid_of(start: Micros, end: Micros, points: int, resolution: Micros = 1) -> Grid:
    """Return the buckets of a range: at most so many, of whole hours from an hour on.

    Args:
        start: where the range begins.
        end: where it ends, after its start.
        points: at least 1.
        resolution: the width is a multiple of this.
    """
    width = -((start - end) // (points * resolution)) * resolution  # rounded up
    if width >= HOUR:
        return _hourly_grid(start, end, points)
    return Grid(start, width, start, end, hourly=False)


def _hourly_grid(start: Micros, end: Micros, points: int) -> Grid:
    first, last = hour_of(start), hour_of(end - 1) + 1
    hours = -((first - last) // points)
    return Grid(first * HOUR, hours * HOUR, start, end, hourly=True)


def _lacks_readings(connection: sqlite3.Connection, channel: int, grid: Grid) -> bool:
    """Whether the grid needs readings that were let go."""
    first, end = hour_of(grid.start), hour_of(grid.end - 1) + 1
    if not grid.hourly:
        return connection.execute(_LET_GO, (channel, first, end)).fetchone() is not None
    return any(
        connection.execute(_LET_GO, (channel, hour, hour + 1)).fetchone() is not None
        for hour in _cut_hours(grid)
    )


def _cut_hours(grid: Grid) -> list[int]:
    """Return the hours of which only a part is in the range."""
    hours = []
    if grid.start % HOUR:
        hours.append(hour_of(grid.start))
    if grid.end % HOUR and hour_of(grid.end) not in hours:
        hours.append(hour_of(grid.end))
    return hours


def _hourly(
    connection: sqlite3.Connection, channel: int, grid: Grid, damage: DamageNotes
) -> list[Bucket]:
    """Return the buckets from the blocks' summaries, and from the readings that have none."""
    extra: list[Piece] = []
    for hour in _cut_hours(grid):
        low, high = max(grid.start, hour * HOUR), min(grid.end, (hour + 1) * HOUR)
        extra += pieces_of(history.by_hour(connection, channel, low, high, damage), grid)
    first, end = -(-grid.start // HOUR), grid.end // HOUR
    if first >= end:
        return sorted(bucket_of(piece, grid) for piece in joined(extra))
    recent = history.recent_hours(connection, channel, first * HOUR, end * HOUR, damage)
    extra += pieces_of(recent, grid)
    sums = _sums(spans.summaries(connection, channel, first, end, damage), grid)
    if not extra:
        return list(map(_made, zip(*_columns(sums, grid), repeat(None))))
    both = joined((*map(Piece._make, zip(*(c.tolist() for c in sums), strict=True)), *extra))
    return sorted(bucket_of(piece, grid) for piece in both)


def _sums(hours: Hours, grid: Grid) -> tuple[NDArray[Any], ...]:
    """Return the columns of a `Piece` for every bucket that whole hours lie in."""
    place = (hours.hour - grid.origin // HOUR) // (grid.width // HOUR)
    if len(place) == 0:
        return (place,) * len(Piece._fields)
    if grid.width == HOUR:
        return (place, hours.hour, hours.hour, *hours[1:])
    starts = np.concatenate(([0], np.flatnonzero(np.diff(place)) + 1))
    ends = np.append(starts[1:], len(place)) - 1
    with np.errstate(over="ignore", invalid="ignore"):
        total = np.add.reduceat(hours.total, starts)
    return (
        place[starts],
        hours.hour[starts],
        hours.hour[ends],
        np.add.reduceat(hours.n, starts),
        np.minimum.reduceat(hours.low, starts),
        np.maximum.reduceat(hours.high, starts),
        total,
        hours.first[starts],
        hours.last[ends],
    )


def _columns(sums: tuple[NDArray[Any], ...], grid: Grid) -> list[list[Any]]:
    """Return the columns of the buckets as they will be told."""
    place, _, _, count, low, high, total, first, last = sums
    if grid.end - grid.start >= _FAR:  # beyond 64 bits
        place = place.astype(object)
    starts = grid.origin + place * grid.width
    told = (
        np.maximum(starts, grid.start),
        np.minimum(starts + grid.width, grid.end),
        low,
        total / count,
        high,
        count,
        first,
        last,
    )
    return [column.tolist() for column in told]


def pieces_of(hours: Iterable[tuple[int, Readings]], grid: Grid) -> Iterator[Piece]:
    """Yield a piece for every bucket that readings lie in; hours and times are in order."""
    parts = [_counted(readings) for _, readings in hours]
    if not parts:
        return
    ts = np.concatenate([part[0] for part in parts])
    value = np.concatenate([part[1] for part in parts])
    if len(ts) == 0:
        return
    first, last = ((int(time) - grid.origin) // grid.width for time in (ts[0], ts[-1]))
    edges = [grid.origin + place * grid.width for place in range(first + 1, last + 1)]
    bounds = np.searchsorted(ts, np.array(edges, dtype=np.int64))  # the times are in order
    starts = np.concatenate(([0], bounds))
    filled = np.diff(starts, append=len(ts)) > 0
    places = np.flatnonzero(filled) + first
    starts = starts[filled]
    with np.errstate(over="ignore", invalid="ignore"):
        sums = np.add.reduceat(value, starts)
    ends = np.append(starts[1:], len(ts)) - 1
    columns = (
        places,
        ts[starts] // HOUR,
        ts[ends] // HOUR,
        ends - starts + 1,
        np.minimum.reduceat(value, starts),
        np.maximum.reduceat(value, starts),
        sums,
        value[starts],
        value[ends],
    )
    yield from map(Piece, *(column.tolist() for column in columns))


def _counted(readings: Readings) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    if not readings.code.any():
        return readings.ts, readings.value
    good_enough = readings.code & QUALITY_MASK < BAD
    return readings.ts[good_enough], readings.value[good_enough]


def joined(pieces: Iterable[Piece]) -> Iterable[Piece]:
    """Return one piece a bucket, of pieces of any buckets in any order."""
    by_place: dict[int, Piece] = {}
    for piece in pieces:
        known = by_place.get(piece.place)
        by_place[piece.place] = piece if known is None else _added(known, piece)
    return by_place.values()


def bucket_of(piece: Piece, grid: Grid) -> Bucket:
    """Return the bucket of a piece, cut off where the grid's range is."""
    start = grid.origin + piece.place * grid.width
    return Bucket(
        max(start, grid.start),
        min(start + grid.width, grid.end),
        piece.low,
        piece.total / piece.count,
        piece.high,
        piece.count,
        piece.first,
        piece.last,
    )


def _added(one: Piece, other: Piece) -> Piece:
    return Piece(
        one.place,
        min(one.since, other.since),
        max(one.until, other.until),
        one.count + other.count,
        min(one.low, other.low),
        max(one.high, other.high),
        one.total + other.total,
        one.first if one.since <= other.since else other.first,
        one.last if one.until > other.until else other.last,
    )
