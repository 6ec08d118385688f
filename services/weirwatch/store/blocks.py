"""The sealed blocks in the file: written, found, merged; a damaged one is set aside.

Only this and `old_blocks.py` name the tables `block`, `block_data` and `damaged_block`.
"""

import logging
import sqlite3
import struct
from collections.abc import Generator, Iterable, Sequence
from typing import Any, NamedTuple

import numpy as np

from weirwatch.domain.instant import Micros, to_rfc3339
from weirwatch.store import rows
from weirwatch.store.block import (
    HOUR,
    DamagedBlockError,
    Packed,
    Readings,
    Summary,
    check_of,
    merged,
    only,
    ordered,
    pack,
    summary_of,
    unpack,
)
from weirwatch.store.packing import Doubles, Integers, codec_here

log = logging.getLogger(__name__)

_KEY = ("channel_id", "t0")
_WHOLE = (*_KEY, *Summary._fields, "codec", "crc", "data_id")
_FIND = rows.select_from(
    "block",
    ("t0", *Summary._fields, "codec", "crc", "data_id", "ts", "value", "quality"),
    """
    LEFT JOIN block_data ON block_data.id = data_id
    WHERE channel_id = ? AND t0 >= ? AND t0 < ? ORDER BY t0
    """,
)
_ADD = rows.insert_into("block", _WHOLE)
_CHANGE = """
    UPDATE block SET n = ?, t_first = ?, t_last = ?, vmin = ?, vmax = ?, vsum = ?, vfirst = ?,
      vlast = ?, codec = ?, crc = ? WHERE channel_id = ? AND t0 = ?
"""
_ADD_DATA = "INSERT INTO block_data (ts, value, quality) VALUES (?, ?, ?)"
_CHANGE_DATA = "UPDATE block_data SET ts = ?, value = ?, quality = ? WHERE id = ?"
_SELECT_ROW = rows.select_from("block", _WHOLE, "WHERE channel_id = ? AND t0 = ?")
_SET_ASIDE = rows.insert_into("damaged_block", _WHOLE)
_REMOVE = "DELETE FROM block WHERE channel_id = ? AND t0 = ?"
_NOTE_EARLY = """
    INSERT OR IGNORE INTO early_block
    SELECT channel_id, :hour FROM raw_from WHERE channel_id = :channel AND hour > :hour
"""

SPAN = 512  # hours; see spans.py
_TOUCH = "INSERT OR IGNORE INTO stale_span (channel_id, span) VALUES (?, ?)"
_SUMMARIES = """
    SELECT t0, n, vmin, vmax, vsum, vfirst, vlast FROM block
    WHERE channel_id = ? AND t0 >= ? AND t0 < ? AND n > 0 ORDER BY t0
"""


class Hours(NamedTuple):
    """What is known of hours without their readings, one column each.

    Attributes:
        hour: since 1970, UTC.
        n: readings that are not bad, at least one.
        total: their sum; NaN where it is not a number.
    """

    hour: Integers
    n: Integers
    low: Doubles
    high: Doubles
    total: Doubles
    first: Doubles
    last: Doubles


class Found(NamedTuple):
    """A block as it lies in the file.

    Attributes:
        packed: None when its readings were let go, or are missing.
        data_id: None when its readings were let go.
    """

    channel: int
    hour: int
    summary: Summary
    packed: Packed | None
    crc: int
    data_id: int | None

    def readings(self) -> Readings:
        """Return its readings; `packed` must be there.

        Raises:
            DamagedBlockError: its bytes or its summary are not what was written.
            PermanentError: it was packed with a codec that is not here.
        """
        if not self.is_sound():
            raise DamagedBlockError(f"the block {self.name} is damaged")
        return unpack(self.hour, self.content())

    def content(self) -> Packed:
        """Return its bytes.

        Raises:
            DamagedBlockError: there are none.
        """
        if self.packed is None:
            raise DamagedBlockError(f"the block {self.name} has no readings")
        return self.packed

    def is_sound(self) -> bool:
        """Whether it is what was written."""
        if self.packed is None and not self.let_go:
            return False
        try:
            return check_of(self.channel, self.hour, self.summary, self.packed) == self.crc
        except (TypeError, struct.error):  # damage may have changed what kind of value it is
            return False

    @property
    def let_go(self) -> bool:
        """Whether only its summary is kept."""
        return self.data_id is None

    @property
    def name(self) -> str:
        """What people call it."""
        return f"of channel number {self.channel} at {hour_name(self.hour)}"


class DamageNotes:
    """Which parts were found damaged, each told once.

    Attributes:
        noted: what they are, for a counter.
    """

    def __init__(self) -> None:
        self.noted: set[str] = set()

    def note(self, what: str) -> None:
        """Put it on record."""
        if what not in self.noted:
            self.noted.add(what)
            log.error("store.damaged_part part=%s", what)


def hour_name(hour: int) -> str:
    """Return the hour as RFC 3339, or its number when it is in no calendar."""
    try:
        return to_rfc3339(hour * HOUR)
    except OverflowError:
        return f"hour {hour}"


def find(
    connection: sqlite3.Connection, channel: int, first: int, end: int
) -> Generator[Found, None, None]:
    """Yield the channel's blocks with first ≤ hour < end in order."""
    cursor = connection.execute(_FIND, (channel, first, end))
    try:
        for row in cursor:
            codec, crc, data_id, ts, value, quality = row[9:]
            packed = None if value is None else Packed(codec, ts, value, quality)
            yield Found(channel, row[0], Summary(*row[1:9]), packed, crc, data_id)
    finally:
        cursor.close()


def at(connection: sqlite3.Connection, channel: int, hour: int) -> Found | None:
    """Return the channel's block of this hour, or None."""
    return next(iter(list(find(connection, channel, hour, hour + 1))), None)


def sound(
    connection: sqlite3.Connection, channel: int, first: int, end: int, damage: DamageNotes
) -> Generator[tuple[int, Readings], None, None]:
    """Yield hour and readings of the blocks that have any; what is damaged is noted and left out.

    Raises:
        PermanentError: a block was packed with a codec that is not here.
    """
    for found in find(connection, channel, first, end):
        if found.let_go:
            continue
        try:
            readings = found.readings()
        except DamagedBlockError:
            damage.note(f"block {found.name}")
            continue
        yield found.hour, readings


def times(found: Found, damage: DamageNotes) -> set[Micros]:
    """Return the times of a block's readings; of none if it has none, or is damaged."""
    if found.let_go:
        return set()
    try:
        return set(found.readings().ts.tolist())
    except DamagedBlockError:
        damage.note(f"block {found.name}")
        return set()


def prepared(channel: int, hour: int, readings: Readings) -> Found:
    """Return the block of these readings, not yet in the file.

    Raises:
        PermanentError: the readings cannot be packed without loss.
    """
    packed, summary = pack(hour, readings, codec_here()), summary_of(hour, readings)
    return Found(channel, hour, summary, packed, check_of(channel, hour, summary, packed), None)


def add(connection: sqlite3.Connection, block: Found) -> None:
    """Write a prepared block where there is none."""
    codec, *data = block.content()
    data_id = connection.execute(_ADD_DATA, data).lastrowid
    row = (block.channel, block.hour, *block.summary, codec, block.crc, data_id)
    connection.execute(_ADD, row)
    connection.execute(_TOUCH, (block.channel, block.hour // SPAN))
    connection.execute(_NOTE_EARLY, {"channel": block.channel, "hour": block.hour})


def merge(
    connection: sqlite3.Connection, found: Found, new: Readings, damage: DamageNotes
) -> Readings:
    """Merge readings into the block of their hour; return those that were not yet there.

    For an hour whose readings were let go nothing can be told apart any more: all count as
    already there. A damaged block is set aside as it is, and a new one begun.
    """
    channel, hour = found.channel, found.hour
    new = ordered(new)
    if found.let_go:
        return only(new, np.zeros(len(new.ts), dtype=np.bool_))
    try:
        old = found.readings()
    except DamagedBlockError:
        damage.note(f"block {found.name}")
        row = connection.execute(_SELECT_ROW, (channel, hour)).fetchone()
        connection.execute(_SET_ASIDE, row)
        connection.execute(_REMOVE, (channel, hour))
        add(connection, prepared(channel, hour, new))
        return new
    fresh = only(new, ~np.isin(new.ts, old.ts))
    if len(fresh.ts):
        block = prepared(channel, hour, merged(old, fresh))
        codec, *data = block.content()
        connection.execute(_CHANGE_DATA, (*data, found.data_id))
        connection.execute(_CHANGE, (*block.summary, codec, block.crc, channel, hour))
        connection.execute(_TOUCH, (channel, hour // SPAN))
    return fresh


def summaries(connection: sqlite3.Connection, channel: int, first: int, end: int) -> Hours:
    """Return the summaries of the hours first ≤ hour < end that have readings, in order."""
    rows = connection.execute(_SUMMARIES, (channel, first, end)).fetchall() if first < end else []
    return hours_of(zip(*rows, strict=True) if rows else ((),) * len(Hours._fields))


def hours_of(columns: Iterable[Sequence[Any]]) -> Hours:
    """Return the columns as arrays; None becomes NaN."""
    hour, n, *values = columns
    return Hours(
        np.array(hour, dtype=np.int64),
        np.array(n, dtype=np.int64),
        *(np.array(column, dtype=np.float64) for column in values),
    )


def verify(connection: sqlite3.Connection, damage: DamageNotes) -> int:
    """Note every damaged block, also those set aside before; return how many were looked at."""
    note_set_aside(connection, damage)
    numbers = connection.execute("SELECT id FROM channel").fetchall()
    return sum(verify_channel(connection, number, damage) for (number,) in numbers)


def verify_channel(connection: sqlite3.Connection, channel: int, damage: DamageNotes) -> int:
    """Note every damaged block of a channel; return how many were looked at."""
    looked = 0
    for found in find(connection, channel, -(2**62), 2**62):
        looked += 1
        if not found.is_sound():
            damage.note(f"block {found.name}")
    return looked


def note_set_aside(connection: sqlite3.Connection, damage: DamageNotes) -> None:
    """Note the damaged blocks that were set aside before."""
    for channel, hour in connection.execute("SELECT channel_id, t0 FROM damaged_block"):
        damage.note(f"block of channel number {channel} at {hour_name(hour)}")


def codec_in_use(connection: sqlite3.Connection, codec: int) -> bool:
    """Return whether any block was packed with this codec; reads every block's row."""
    found = connection.execute(
        "SELECT 1 FROM block WHERE codec = ? AND data_id IS NOT NULL LIMIT 1", (codec,)
    )
    return found.fetchone() is not None
