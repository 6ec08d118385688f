"""The summaries of three weeks of one channel in one row: what a year's chart is read from.

The blocks' own rows lie all over the file, as they were written hour by hour. A span is packed
when its last hour is sealed; a block that is written later marks it stale, in the same
transaction, until it is packed anew. What is stale is read from the blocks.
"""

import sqlite3
import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np

from weirwatch.domain.instant import Micros
from weirwatch.store import blocks
from weirwatch.store.block import hour_of
from weirwatch.store.blocks import SPAN, DamageNotes, Hours
from weirwatch.store.connection import transaction
from weirwatch.store.packing import (
    ZLIB,
    codec_here,
    pack_doubles,
    pack_integers,
    unpack_doubles,
    unpack_integers,
)

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
PACKED_ANEW = (  # what was packed in another form
    "INSERT OR IGNORE INTO stale_span SELECT id / 65536, id % 65536 FROM span",
    "DELETE FROM span",
)
_MOST = 65_536
_DUE = "SELECT channel_id, span FROM stale_span WHERE span >= 0 AND span < ? LIMIT 1"
_STALE = "SELECT span FROM stale_span WHERE channel_id = ? AND span BETWEEN ? AND ?"
_FIND = "SELECT id, crc, data FROM span WHERE id BETWEEN ? AND ?"
_PUT = "INSERT OR REPLACE INTO span (id, crc, data) VALUES (?, ?, ?)"
_FORGET = "DELETE FROM stale_span WHERE channel_id = ? AND span = ?"
_LET_GO = "DELETE FROM span WHERE id = ?"
_LENGTH = struct.Struct("<H")  # of a packed column; 512 doubles never need more


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
            data = _packed(hours, span, codec_here())
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
        if data[0] == ZLIB or data[0] == codec_here():  # else the blocks' own rows can be read
            found[span] = _unpacked(data, span)
    return found


def let_go(connection: sqlite3.Connection, channel: int, span: int) -> None:
    """Delete a span, within the transaction that deletes its blocks."""
    connection.execute(_FORGET, (channel, span))
    if 0 <= span < _MOST:
        connection.execute(_LET_GO, (channel * _MOST + span,))


def verify(connection: sqlite3.Connection, channel: int, damage: DamageNotes) -> int:
    """Note every damaged span of a channel; return how many were looked at."""
    base = channel * _MOST
    looked = connection.execute(
        "SELECT count(*) FROM span WHERE id BETWEEN ? AND ?", (base, base + _MOST - 1)
    ).fetchone()[0]
    _sound(connection, channel, 0, _MOST - 1, damage)
    return int(looked)


def _packed(hours: Hours, span: int, codec: int) -> bytes:
    """Return the codec's number, then each column with its length before it."""
    parts = [bytes((codec,))]
    if len(hours.hour):
        hour, n, *values = hours
        columns = [pack_integers(whole, codec) for whole in (hour - span * SPAN, n)]
        columns += [pack_doubles(column, codec) for column in values]
        for column in columns:
            parts += (_LENGTH.pack(len(column)), column)
    return b"".join(parts)


def _unpacked(data: bytes, span: int) -> Hours:
    codec, at = data[0], 1
    columns: list[bytes] = []
    while at < len(data):
        (length,) = _LENGTH.unpack_from(data, at)
        at += _LENGTH.size + length
        columns.append(data[at - length : at])
    if not columns:
        return blocks.hours_of(((),) * len(Hours._fields))
    hour, n, *values = columns
    return Hours(
        unpack_integers(hour, codec) + span * SPAN,
        unpack_integers(n, codec),
        *(unpack_doubles(column, codec) for column in values),
    )
