"""Readings of the last hours as they came: one row of the table `reading` is one commit's readings.

The only place that names the table `reading`. Each row holds plain records of fixed size, so that
all of them are read at once; a row is appended to the end, so that a commit touches one page.
"""

import sqlite3
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Any, NamedTuple
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from weirwatch.domain.instant import Micros
from weirwatch.store.block import HOUR, Readings
from weirwatch.store.blocks import DamageNotes
from weirwatch.store.packing import Doubles, Integers

_SHORT = 2**32
_CHECK_BYTES = 4

_ADD = "INSERT INTO reading (id, at, t_first, t_last, records) VALUES (?, ?, ?, ?, ?)"
_CHANGE = "UPDATE reading SET t_first = ?, t_last = ?, records = ? WHERE id = ?"
_GROUP = "SELECT id, at, t_first, t_last, records FROM reading"
_BETWEEN = f"{_GROUP} WHERE t_first < ? AND t_last >= ?"
_AFTER = f"{_GROUP} WHERE id > ?"


class Rows(NamedTuple):
    """Readings of many channels, in any order.

    Attributes:
        ts, value, code: as in `block.Readings`.
        channel: its number.
    """

    ts: Integers
    channel: Integers
    value: Doubles
    code: Integers


class Group(NamedTuple):
    """One row of the table.

    Attributes:
        at: time of the commit.
        t_first, t_last: times of the first and the last reading in it.
    """

    id: int
    at: Micros
    t_first: Micros
    t_last: Micros
    records: bytes


def rows_of(rows: Sequence[tuple[Micros, int, float, int]]) -> Rows:
    """Return the columns of time, channel number, value, code."""
    ts, channel, value, code = zip(*rows, strict=True) if rows else ((), (), (), ())
    return Rows(
        np.array(ts, dtype=np.int64),
        np.array(channel, dtype=np.int64),
        np.array(value, dtype=np.float64),
        np.array(code, dtype=np.int64),
    )


def chosen(rows: Rows, which: NDArray[Any]) -> Rows:
    """Return the rows that are marked, or that are listed by place."""
    return Rows(*(column[which] for column in rows))


def by_hour(rows: Rows, most: int, parts: int) -> list[tuple[int, int, Readings]]:
    """Return channel, hour and readings (in time order) of the oldest hours, ordered so.

    The hours are whole: the first of them, and as many more as have at most so many readings and
    so many parts altogether.
    """
    hours = rows.ts // HOUR
    order = np.lexsort((rows.ts, rows.channel, hours))
    ts, channel, value, code = chosen(rows, order)
    hours = hours[order]
    new = (np.diff(hours) != 0) | (np.diff(channel) != 0)
    edges = [0, *(np.flatnonzero(new) + 1).tolist(), len(ts)]
    found: list[tuple[int, int, Readings]] = []
    for low, high in pairwise(edges):
        if low == high:
            break
        hour = int(hours[low])
        full = len(found) >= parts or high > most
        if full and found and found[-1][1] != hour:
            break
        part = Readings(ts[low:high], value[low:high], code[low:high])
        found.append((int(channel[low]), hour, part))
    return found


def of_channel(rows: Rows, channel: int, start: Micros, end: Micros) -> Readings:
    """Return one channel's readings with start ≤ time < end in time order."""
    which = (rows.channel == channel) & (rows.ts >= start) & (rows.ts < end)
    places = np.flatnonzero(which)
    places = places[np.argsort(rows.ts[places], kind="stable")]
    return Readings(rows.ts[places], rows.value[places], rows.code[places])


def append(connection: sqlite3.Connection, number: int, at: Micros, rows: Rows) -> None:
    """Write one commit's readings as row `number`; `at` is the time of the commit."""
    t_first, t_last = int(rows.ts.min()), int(rows.ts.max())
    connection.execute(_ADD, (number, at, t_first, t_last, _records(rows, t_first, t_last)))


def between(connection: sqlite3.Connection, start: Micros, end: Micros) -> list[Group]:
    """Return the groups that may hold readings with start ≤ time < end.

    Every group is looked at: there are as many as commits in an hour or two.
    """
    return [Group(*row) for row in connection.execute(_BETWEEN, (end, start))]


def after(connection: sqlite3.Connection, number: int) -> list[Group]:
    """Return the groups with a higher number."""
    return [Group(*row) for row in connection.execute(_AFTER, (number,))]


def next_after(connection: sqlite3.Connection, number: int, limit: int) -> list[Group]:
    """Return the first groups with a higher number, at most `limit`."""
    found = connection.execute(f"{_AFTER} ORDER BY id LIMIT ?", (number, limit))
    return [Group(*row) for row in found]


def last(connection: sqlite3.Connection) -> tuple[int, Micros] | None:
    """Return the number and the time of the last commit whose readings are here, or None."""
    found: tuple[int, Micros] | None = connection.execute(
        "SELECT id, at FROM reading ORDER BY id DESC LIMIT 1"
    ).fetchone()
    return found


def take_out(connection: sqlite3.Connection, groups: Iterable[Group], hours: Sequence[int]) -> None:
    """Delete the readings of these hours from sound groups."""
    gone = set(hours)
    whole: list[int] = []
    for group in groups:
        first = group.t_first // HOUR
        if first in gone and group.t_last // HOUR == first:
            whole.append(group.id)
            continue
        rows = unpack([group], DamageNotes())
        rest = chosen(rows, ~np.isin(rows.ts // HOUR, hours))
        if len(rest.ts) == 0:
            whole.append(group.id)
        elif len(rest.ts) < len(rows.ts):
            t_first, t_last = int(rest.ts.min()), int(rest.ts.max())
            values = (t_first, t_last, _records(rest, t_first, t_last), group.id)
            connection.execute(_CHANGE, values)
    connection.executemany("DELETE FROM reading WHERE id BETWEEN ? AND ?", _runs(whole))


def is_sound(group: Group) -> bool:
    """Whether the group's bytes are what was written."""
    _, _, t_first, t_last, records = group
    if not isinstance(records, bytes) or len(records) <= _CHECK_BYTES:
        return False
    return _check(t_first, t_last, records[_CHECK_BYTES:]) == records[:_CHECK_BYTES]


def verify(connection: sqlite3.Connection, damage: DamageNotes) -> int:
    """Note every damaged commit; return how many were looked at."""
    looked = 0
    for row in connection.execute(_GROUP):
        looked += 1
        _sound_or_noted(Group(*row), damage)
    return looked


def unpack(groups: Iterable[Group], damage: DamageNotes) -> Rows:
    """Return the readings of the groups, in any order; a damaged group is noted and left out."""
    by_form: dict[int, list[Group]] = {}
    for group in groups:
        if _sound_or_noted(group, damage):
            by_form.setdefault(group.records[_CHECK_BYTES], []).append(group)
    parts = [_unpacked(form, some) for form, some in by_form.items()]
    if not parts:
        return rows_of(())
    if len(parts) == 1:
        return parts[0]
    return Rows(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def _sound_or_noted(group: Group, damage: DamageNotes) -> bool:
    if is_sound(group):
        return True
    damage.note(f"readings of commit number {group.id}")
    return False


def _runs(numbers: Iterable[int]) -> list[tuple[int, int]]:
    """Return the first and the last of each run of consecutive numbers."""
    runs: list[tuple[int, int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][1] + 1:
            runs[-1] = (runs[-1][0], number)
        else:
            runs.append((number, number))
    return runs


def _form_of(form: int) -> np.dtype[Any]:
    """Return the record: wide times, wide channel numbers, and codes only where they are needed."""
    fields = [
        ("ts", "<i8" if form & 1 else "<u4"),
        ("channel", "<i8" if form & 2 else "<u2"),
        ("value", "<f8"),
    ]
    return np.dtype([*fields, ("code", "<i8")] if form & 4 else fields)


def _records(rows: Rows, t_first: Micros, t_last: Micros) -> bytes:
    wide_times = t_last - t_first >= _SHORT
    form = int(wide_times)
    form |= 2 * (int(rows.channel.max()) >= 2**16 or int(rows.channel.min()) < 0)
    form |= 4 * bool(rows.code.any())
    records = np.empty(len(rows.ts), dtype=_form_of(form))
    records["ts"] = rows.ts if wide_times else rows.ts - t_first
    records["channel"] = rows.channel
    records["value"] = rows.value
    if form & 4:
        records["code"] = rows.code
    content = bytes((form,)) + records.tobytes()
    return _check(t_first, t_last, content) + content


def _unpacked(form: int, groups: Sequence[Group]) -> Rows:
    record = _form_of(form)
    head = _CHECK_BYTES + 1
    found = np.frombuffer(b"".join(group.records[head:] for group in groups), dtype=record)
    ts = found["ts"].astype(np.int64)
    if not form & 1:
        counts = [(len(group.records) - head) // record.itemsize for group in groups]
        ts += np.repeat(np.array([group.t_first for group in groups], dtype=np.int64), counts)
    code = found["code"].astype(np.int64) if form & 4 else np.zeros(len(ts), dtype=np.int64)
    return Rows(ts, found["channel"].astype(np.int64), found["value"].astype(np.float64), code)


def _check(t_first: Micros, t_last: Micros, content: bytes) -> bytes:
    seed = (t_first ^ t_last * 3) & 0xFFFFFFFF
    return crc32(content, seed).to_bytes(_CHECK_BYTES, "little")
