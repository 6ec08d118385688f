"""How readings of the past come in: an hour nobody has yet becomes a block at once.

A year of them among the recent readings, which are walked as a whole, would slow down everything.
What belongs to an hour with a block is merged, what is recent is added like any commit; of several
at one time the first wins, so that the same readings may come again.
"""

import sqlite3
from collections.abc import Sequence
from itertools import groupby

from weirwatch.domain.instant import Micros
from weirwatch.store import blocks, history, hot
from weirwatch.store.block import HOUR, Readings, ordered
from weirwatch.store.blocks import DamageNotes
from weirwatch.store.recorder import CodedRow, ReadingRow, Recorded, Recorder, coded
from weirwatch.store.sealing import MARGIN

_SEALED = "UPDATE meta SET sealed_end = max(coalesce(sealed_end, ?1), ?1)"


def add_past(
    connection: sqlite3.Connection,
    rows: Sequence[ReadingRow],
    now: Micros,
    at: Micros,
    recorder: Recorder,
    damage: DamageNotes,
) -> Recorded:
    """Add readings of the past within the caller's transaction.

    The caller makes the recorder forget what it knew, before and after.

    Args:
        connection: in a transaction.
        rows: of any channels and times.
        now: hours that ended more than an hour before are packed.
        at: which time of a commit to note for what is recent.
        recorder: adds what is recent.
        damage: where damage is noted.

    Raises:
        PermanentError: a value is not a number.
    """
    if not rows:
        return Recorded(0, ())
    recent: list[ReadingRow] = []
    already = 0
    places = sorted(range(len(rows)), key=lambda place: (rows[place][1], rows[place][0] // HOUR))
    end = (now - MARGIN) // HOUR
    unsealed = _unsealed(connection, min(row[0] for row in rows), end * HOUR, damage)
    for place, some in groupby(places, lambda p: (rows[p][1], rows[p][0] // HOUR)):
        part = [rows[number] for number in some]
        if place[1] >= end or place in unsealed:
            recent += part
        else:
            already += _into_block(connection, *place, coded(connection, part), damage)
    if not recent:
        return Recorded(already, ())
    found = recorder.add(connection, recent, at)
    return Recorded(already + found.duplicates, found.appended)


def _into_block(
    connection: sqlite3.Connection,
    channel: int,
    hour: int,
    rows: Sequence[CodedRow],
    damage: DamageNotes,
) -> int:
    """Put one hour's readings into its block; return how many were already there."""
    ts, numbers, value, code = hot.rows_of(rows)
    new = ordered(Readings(ts, value, code))
    found = blocks.at(connection, channel, hour)
    if found is None:
        blocks.add(connection, blocks.prepared(channel, hour, new))
        connection.execute(_SEALED, (hour + 1,))
    else:
        new = blocks.merge(connection, found, new, damage)
    own = hot.Rows(new.ts, numbers[: len(new.ts)], new.value, new.code)
    history.note_latest(connection, history.latest_of(own))
    return len(rows) - len(new.ts)


def _unsealed(
    connection: sqlite3.Connection, start: Micros, end: Micros, damage: DamageNotes
) -> set[tuple[int, int]]:
    """Return channel and hour of what is still among the recent readings: more joins it there."""
    rows = hot.unpack(hot.between(connection, start, end), damage)
    return set(zip(rows.channel.tolist(), (rows.ts // HOUR).tolist(), strict=True))
