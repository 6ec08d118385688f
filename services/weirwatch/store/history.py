"""Where a reading lies: in the block of its hour if there is one, else among the recent commits.

Callers know channels by number and ask for ranges `[start, end)` in microseconds, within one
transaction: every reading is in one place in any one state of the file.
"""

import heapq
import sqlite3
from collections.abc import Iterator, Mapping
from itertools import chain
from typing import NamedTuple

import numpy as np

from weirwatch.domain.instant import Micros
from weirwatch.store import blocks, hot
from weirwatch.store.block import (
    HOUR,
    QUALITY_BITS,
    QUALITY_MASK,
    Readings,
    cut,
    hour_of,
    only,
)
from weirwatch.store.blocks import DamageNotes

_NEWEST = """
    INSERT INTO newest (channel_id, ts, value, code, first_ts) VALUES (?, ?, ?, ?, ?)
    ON CONFLICT (channel_id) DO UPDATE SET
      ts = CASE WHEN excluded.ts > ts THEN excluded.ts ELSE ts END,
      value = CASE WHEN excluded.ts > ts THEN excluded.value ELSE value END,
      code = CASE WHEN excluded.ts > ts THEN excluded.code ELSE code END,
      first_ts = min(first_ts, excluded.first_ts)
"""
_NEWEST_GOOD = """
    INSERT INTO newest_good (channel_id, ts, value) VALUES (?, ?, ?)
    ON CONFLICT (channel_id) DO UPDATE SET ts = excluded.ts, value = excluded.value
    WHERE excluded.ts > newest_good.ts
"""


_BEGINS = "UPDATE newest SET first_ts = max(first_ts, min(ts, ?)) WHERE channel_id = ?"


class Columns(NamedTuple):
    """Readings of one channel as Python's own numbers."""

    ts: list[Micros]
    value: list[float]
    quality: list[int]
    reason: list[str]


class Latest(NamedTuple):
    """What is known of a channel's newest reading.

    Attributes:
        good: time and value of the newest good reading, or None.
        first: time of the channel's first reading.
    """

    ts: Micros
    value: float
    code: int
    good: tuple[Micros, float] | None
    first: Micros


def raw(
    connection: sqlite3.Connection,
    channel: int,
    start: Micros,
    end: Micros,
    limit: int,
    damage: DamageNotes,
) -> Columns:
    """Return at most `limit` readings in time order."""
    found = Columns([], [], [], [])
    if limit <= 0 or end <= start:
        return found
    for _, readings in by_hour(connection, channel, start, end, damage):
        part = only(readings, slice(limit - len(found.ts)))
        codes = part.code.tolist()
        texts = reasons(connection) if part.code.any() else {0: ""}
        found.ts.extend(part.ts.tolist())
        found.value.extend(part.value.tolist())
        found.quality.extend([code & QUALITY_MASK for code in codes])
        found.reason.extend([texts[code >> QUALITY_BITS] for code in codes])
        if len(found.ts) == limit:
            break
    return found


def by_hour(
    connection: sqlite3.Connection, channel: int, start: Micros, end: Micros, damage: DamageNotes
) -> Iterator[tuple[int, Readings]]:
    """Yield each hour's readings of the range, none of them empty, hours and times in order."""
    recent = recent_hours(connection, channel, start, end, damage)
    sealed = blocks.sound(connection, channel, hour_of(start), hour_of(end - 1) + 1, damage)
    try:
        # No hour of a channel is in both places.
        found = heapq.merge(recent, sealed, key=lambda item: item[0]) if recent else sealed
        for hour, readings in found:
            if start <= hour * HOUR and (hour + 1) * HOUR <= end:
                yield hour, readings
            elif len((part := cut(readings, start, end)).ts):
                yield hour, part
    finally:
        sealed.close()


def recent_hours(
    connection: sqlite3.Connection, channel: int, start: Micros, end: Micros, damage: DamageNotes
) -> list[tuple[int, Readings]]:
    """Return each hour's readings of the range that are not sealed yet."""
    rows = hot.unpack(hot.between(connection, start, end), damage)
    found = hot.of_channel(rows, channel, start, end)
    if len(found.ts) == 0:
        return []
    hours = found.ts // HOUR
    edges = np.flatnonzero(np.diff(hours)) + 1
    starts = [0, *edges.tolist()]
    ends = [*edges.tolist(), len(hours)]
    return [
        (int(hours[low]), only(found, slice(low, high)))
        for low, high in zip(starts, ends, strict=True)
    ]


def span(
    connection: sqlite3.Connection, channel: int, damage: DamageNotes
) -> tuple[Micros, Micros] | None:
    """Return the times of the channel's first and last reading, or None."""
    found = latest(connection, damage).get(channel)
    return None if found is None else (found.first, found.ts)


def latest(connection: sqlite3.Connection, damage: DamageNotes) -> Mapping[int, Latest]:
    """Return what is newest of each channel; costs as much as there are channels.

    The tables know it as of some commit not long ago; what came since lies in the commits.
    """
    good = {row[0]: row[1:] for row in connection.execute("SELECT * FROM newest_good")}
    known = {
        row[0]: Latest(row[1], row[2], row[3], good.get(row[0]), row[4])
        for row in connection.execute("SELECT channel_id, ts, value, code, first_ts FROM newest")
    }
    (upto,) = connection.execute("SELECT newest_upto FROM meta").fetchone()
    for channel, item in latest_of(hot.unpack(hot.after(connection, upto), damage)).items():
        known[channel] = _later(known.get(channel), item)
    return known


def latest_of(rows: hot.Rows) -> dict[int, Latest]:
    """Return what is newest of each channel in these rows."""
    goods = {
        channel: (item.ts, item.value)
        for channel, item, _ in _newest_rows(hot.chosen(rows, rows.code & QUALITY_MASK == 0))
    }
    return {
        channel: Latest(item.ts, item.value, item.code, goods.get(channel), first)
        for channel, item, first in _newest_rows(rows)
    }


def note_latest(connection: sqlite3.Connection, items: Mapping[int, Latest]) -> None:
    """Bring the tables of the newest readings up to these."""
    connection.executemany(
        _NEWEST,
        [(channel, item.ts, item.value, item.code, item.first) for channel, item in items.items()],
    )
    connection.executemany(
        _NEWEST_GOOD,
        [(channel, *item.good) for channel, item in items.items() if item.good is not None],
    )


def note_first(
    connection: sqlite3.Connection, channel: int, sealed: Micros | None, damage: DamageNotes
) -> None:
    """Note that what a channel had before its oldest block is gone.

    Args:
        connection: in a transaction.
        channel: its number.
        sealed: the first time that its oldest block tells of; None: there is none.
        damage: where damage is noted.
    """
    catch_up_latest(connection, damage)
    recent = recent_hours(connection, channel, -(2**62), 2**62, damage)
    known = [int(readings.ts[0]) for _, readings in recent[:1]]
    known += [] if sealed is None else [sealed]
    connection.execute(_BEGINS, (min(known, default=2**62), channel))


def catch_up_latest(connection: sqlite3.Connection, damage: DamageNotes) -> None:
    """Bring the tables of the newest readings up to the last commit."""
    last = hot.last(connection)
    (upto,) = connection.execute("SELECT newest_upto FROM meta").fetchone()
    if last is None or last[0] <= upto:
        return
    note_latest(connection, latest_of(hot.unpack(hot.after(connection, upto), damage)))
    connection.execute("UPDATE meta SET newest_upto = ?", (last[0],))


def reasons(connection: sqlite3.Connection) -> Mapping[int, str]:
    """Return the texts of the reasons by number; 0 is none."""
    return dict(chain([(0, "")], connection.execute("SELECT id, text FROM reason")))


class _Item(NamedTuple):
    ts: Micros
    value: float
    code: int


def _newest_rows(rows: hot.Rows) -> Iterator[tuple[int, _Item, Micros]]:
    """Yield each channel, its newest row, and its first time."""
    if len(rows.ts) == 0:
        return
    order = np.lexsort((rows.ts, rows.channel))
    ts, channel, value, code = hot.chosen(rows, order)
    ends = np.append(np.flatnonzero(np.diff(channel)), len(ts) - 1)
    starts = np.append(0, ends[:-1] + 1)
    for low, high in zip(starts.tolist(), ends.tolist(), strict=True):
        item = _Item(int(ts[high]), float(value[high]), int(code[high]))
        yield int(channel[high]), item, int(ts[low])


def _later(known: Latest | None, item: Latest) -> Latest:
    if known is None:
        return item
    newer = item if item.ts > known.ts else known
    goods = [good for good in (known.good, item.good) if good is not None]
    return Latest(
        newer.ts,
        newer.value,
        newer.code,
        max(goods, key=lambda good: good[0]) if goods else None,
        min(known.first, item.first),
    )
