"""The summaries of three weeks of one channel in one row: what a year's chart is read from.

The blocks' own rows lie all over the file, as they were written hour by hour. A span is packed
when its last hour is sealed; a block that is written later marks it stale, in the same
transaction, until it is packed anew. What is stale is read from the blocks.
"""

import sqlite3
import zlib
from pathlib import Path
from typing import Any

import numpy as np

from weirwatch.domain.instant import Micros
from weirwatch.store import blocks
from weirwatch.store.block import hour_of
from weirwatch.store.blocks import SPAN, DamageNotes, Hours
from weirwatch.store.connection import transaction

TABLES = (
    """
    CREATE TABLE span (             -- summaries of 512 hours of a channel, see spans.py
      id INTEGER PRIMARY KEY,       -- 65536 × channel.id + hours since 1970 / 512
      crc INTEGER NOT NULL,
      data BLOB NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE stale_span (       -- not packed yet, or changed since
      channel_id INTEGER NOT NULL,
      span INTEGER NOT NULL,
      PRIMARY KEY (channel_id, span)
    ) STRICT, WITHOUT ROWID
    """,
    "INSERT INTO stale_span SELECT DISTINCT channel_id, t0 / 512 FROM block",
)
_MOST = 65_536
_DUE = "SELECT channel_id, span FROM stale_span WHERE span >= 0 AND span < ? LIMIT 1"
_STALE = "SELECT span FROM stale_span WHERE channel_id = ? AND span BETWEEN ? AND ?"
_FIND = "SELECT id, crc, data FROM span WHERE id BETWEEN ? AND ?"
_PUT = "INSERT OR REPLACE INTO span (id, crc, data) VALUES (?, ?, ?)"
_FORGET = "DELETE FROM stale_span WHERE channel_id = ? AND span = ?"
_RECORD = np.dtype(
    [("hour", "<u2"), ("n", "<i8")]
    + [(name, "<f8") for name in ("low", "high", "total", "first", "last")]
)


class SpanPacker:
    """Packs spans whose hours are all sealed, one a step; the writing thread only."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def step(self, connection: sqlite3.Connection, end: Micros) -> bool:
        """Pack one span that ended before this time; return whether there was one.

        Raises:
            TransientError, PermanentError: nothing was changed.
        """
        bound = min(hour_of(end) // SPAN, _MOST)
        due = connection.execute(_DUE, (bound,)).fetchone()
        if due is None:
            return False
        channel, span = due
        with transaction(connection, self._path):
            hours = blocks.summaries(connection, channel, span * SPAN, (span + 1) * SPAN)
            data = _packed(hours, span)
            number = channel * _MOST + span
            connection.execute(_PUT, (number, zlib.crc32(data, number & 0xFFFFFFFF), data))
            connection.execute(_FORGET, due)
        return True


def summaries(
    connection: sqlite3.Connection, channel: int, first: int, end: int, damage: DamageNotes
) -> Hours:
    """Return what is known of the hours first ≤ hour < end that have readings, in order."""
    low, high = max(0, first // SPAN), min((end - 1) // SPAN, _MOST - 1)
    found = _sound(connection, channel, low, high, damage)
    parts: list[Hours] = []
    at = first
    for span in sorted(found):
        if at < span * SPAN:
            parts.append(blocks.summaries(connection, channel, at, span * SPAN))
        parts.append(found[span])
        at = (span + 1) * SPAN
    parts.append(blocks.summaries(connection, channel, at, end))
    columns: list[Any] = [np.concatenate(column) for column in zip(*parts, strict=True)]
    inside = slice(*np.searchsorted(columns[0], (first, end)).tolist())
    return Hours(*(column[inside] for column in columns))


def _sound(
    connection: sqlite3.Connection, channel: int, low: int, high: int, damage: DamageNotes
) -> dict[int, Hours]:
    """Return the packed spans that are not stale; a damaged one is noted and left out."""
    stale = {row[0] for row in connection.execute(_STALE, (channel, low, high))}
    base = channel * _MOST
    found = {}
    for number, crc, data in connection.execute(_FIND, (base + low, base + high)):
        span = number - base
        if span in stale:
            continue
        if not isinstance(data, bytes) or zlib.crc32(data, number & 0xFFFFFFFF) != crc:
            damage.note(f"summaries of channel number {channel} from hour {span * SPAN} on")
            continue
        found[span] = _unpacked(data, span)
    return found


def verify(connection: sqlite3.Connection, channel: int, damage: DamageNotes) -> int:
    """Note every damaged span of a channel; return how many were looked at."""
    base = channel * _MOST
    looked = connection.execute(
        "SELECT count(*) FROM span WHERE id BETWEEN ? AND ?", (base, base + _MOST - 1)
    ).fetchone()[0]
    _sound(connection, channel, 0, _MOST - 1, damage)
    return int(looked)


def _packed(hours: Hours, span: int) -> bytes:
    records = np.empty(len(hours.hour), dtype=_RECORD)
    for name, column in zip(Hours._fields, hours, strict=True):
        records[name] = column - span * SPAN if name == "hour" else column
    return zlib.compress(b"".join(records[name].tobytes() for name in Hours._fields), 6)


def _unpacked(data: bytes, span: int) -> Hours:
    content = zlib.decompress(data)
    count = len(content) // _RECORD.itemsize
    columns, at = [], 0
    for name in Hours._fields:
        kind = _RECORD[name]
        columns.append(np.frombuffer(content, kind, count, at))
        at += count * kind.itemsize
    hour, n, *values = columns
    return Hours(hour.astype(np.int64) + span * SPAN, n, *values)
