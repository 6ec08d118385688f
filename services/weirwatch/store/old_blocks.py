"""What is oldest of each channel in the file, and how it goes: readings first, then all of it."""

import sqlite3
from typing import NamedTuple

from weirwatch.domain.instant import Micros
from weirwatch.store import blocks
from weirwatch.store.block import HOUR, check_of
from weirwatch.store.blocks import DamageNotes

TABLES = (
    """
    CREATE TABLE raw_from (         -- no row: nothing was let go
      channel_id INTEGER PRIMARY KEY,
      hour INTEGER NOT NULL         -- blocks before it have no readings, those from it on have
    ) STRICT
    """,
    """
    CREATE TABLE early_block (      -- before it, and has readings: it was written later
      channel_id INTEGER NOT NULL,
      t0 INTEGER NOT NULL,
      PRIMARY KEY (channel_id, t0)
    ) STRICT, WITHOUT ROWID
    """,
    """
    INSERT INTO raw_from
    SELECT channel.id, meta.raw_from FROM channel, meta WHERE meta.raw_from IS NOT NULL
    """,
    "ALTER TABLE meta DROP COLUMN raw_from",
)
_NONE = 2**62  # later than every hour

# Three searches a channel, however many blocks there are.
_OLDEST = """
    SELECT channel.id, channel.name, channel.quantity,
      min(
        coalesce((SELECT t0 FROM early_block WHERE channel_id = channel.id
                  ORDER BY t0 LIMIT 1), :none),
        coalesce((SELECT t0 FROM block WHERE channel_id = channel.id
                  AND t0 >= coalesce(raw_from.hour, -:none) ORDER BY t0 LIMIT 1), :none)
      ),
      coalesce((SELECT t0 FROM block WHERE channel_id = channel.id ORDER BY t0 LIMIT 1), :none)
    FROM channel LEFT JOIN raw_from ON raw_from.channel_id = channel.id
"""
_FIRST = "SELECT t0, t_first FROM block WHERE channel_id = ? ORDER BY t0 LIMIT 1"
_LET_GO_HOURS = "SELECT t0 FROM block WHERE channel_id = ? AND data_id IS NULL"
_LET_GO = "UPDATE block SET data_id = NULL, crc = ? WHERE channel_id = ? AND t0 = ?"
_NOT_EARLY = "DELETE FROM early_block WHERE channel_id = ? AND t0 = ?"
_LET_GO_UPTO = """
    INSERT INTO raw_from VALUES (?, ?)
    ON CONFLICT (channel_id) DO UPDATE SET hour = max(hour, excluded.hour)
"""
_FORGET = (  # in this order: the readings are found by the rows
    """
    DELETE FROM block_data WHERE id IN
      (SELECT data_id FROM block WHERE channel_id = ? AND t0 >= ? AND t0 < ?)
    """,
    """
    DELETE FROM block_data WHERE id IN
      (SELECT data_id FROM damaged_block WHERE channel_id = ? AND t0 >= ? AND t0 < ?)
    """,
    "DELETE FROM block WHERE channel_id = ? AND t0 >= ? AND t0 < ?",
    "DELETE FROM damaged_block WHERE channel_id = ? AND t0 >= ? AND t0 < ?",
    "DELETE FROM early_block WHERE channel_id = ? AND t0 >= ? AND t0 < ?",
)


class Oldest(NamedTuple):
    """The hours of a channel's oldest blocks; without any: later than every hour.

    Attributes:
        with_readings: of the oldest whose readings were not let go.
        hour: of the oldest of all.
    """

    channel: int
    name: str
    quantity: str
    with_readings: int
    hour: int


def oldest(connection: sqlite3.Connection) -> list[Oldest]:
    """Return what is oldest of each channel."""
    return [Oldest(*row) for row in connection.execute(_OLDEST, {"none": _NONE})]


def let_go_of(connection: sqlite3.Connection, channel: int) -> set[int]:
    """Return the hours of a channel whose readings were let go."""
    return {row[0] for row in connection.execute(_LET_GO_HOURS, (channel,))}


def let_go(connection: sqlite3.Connection, channel: int, hour: int, damage: DamageNotes) -> None:
    """Delete the readings of a channel's oldest block that has any, keep its summary.

    The summary of a damaged block keeps its wrong check sum: it stays known as damaged.
    """
    found = blocks.at(connection, channel, hour)
    if found is not None and not found.let_go:
        crc = found.crc
        if found.is_sound():
            crc = check_of(channel, hour, found.summary, None)
        else:
            damage.note(f"block {found.name}")
        connection.execute("DELETE FROM block_data WHERE id = ?", (found.data_id,))
        connection.execute(_LET_GO, (crc, channel, hour))
    connection.execute(_NOT_EARLY, (channel, hour))
    connection.execute(_LET_GO_UPTO, (channel, hour + 1))


def forget(connection: sqlite3.Connection, channel: int, first: int, end: int) -> Micros | None:
    """Delete the channel's blocks with first ≤ hour < end and all that they have.

    Returns:
        The first time that its oldest block then tells of; None: it has no other.
    """
    for statement in _FORGET:
        connection.execute(statement, (channel, first, end))
    left = connection.execute(_FIRST, (channel,)).fetchone()
    return None if left is None else int(left[0]) * HOUR + int(left[1] or 0)
