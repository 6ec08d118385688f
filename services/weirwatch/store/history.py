"""Where readings lie, and how they are read: the only place that names the table `reading`.

Callers know channels by number and ask for ranges `[start, end)` in microseconds; where a
reading lies, and how it is packed there, may change behind these functions.
"""

import sqlite3
from collections.abc import Iterable, Sequence

from weirwatch.domain.instant import Micros
from weirwatch.ports import Bucket

# time, channel number, value, quality, reason: as in `ports.Group.readings`
ReadingRow = tuple[Micros, int, float, int, str]

# First wins: a reading already there stays. (Not `OR IGNORE`, which would also swallow a NaN.)
_ADD = """
    INSERT INTO reading (ts, channel_id, value, quality, reason_id)
    VALUES (?1, ?2, ?3, ?4,
            CASE WHEN ?5 = '' THEN NULL ELSE (SELECT id FROM reason WHERE text = ?5) END)
    ON CONFLICT (ts, channel_id) DO NOTHING
"""
_ADD_REASON = "INSERT INTO reason (text) VALUES (?) ON CONFLICT (text) DO NOTHING"
_STORED = """
    SELECT ts, channel_id, value, quality, coalesce(text, '')
    FROM reading LEFT JOIN reason ON reason.id = reason_id WHERE ts = ? AND channel_id = ?
"""
_RAW = """
    SELECT ts, value, quality, coalesce(text, '')
    FROM reading LEFT JOIN reason ON reason.id = reason_id
    WHERE ts >= ? AND ts < ? AND channel_id = ? ORDER BY ts LIMIT ?
"""
_BUCKETS = """
    SELECT (ts - :start) / :width AS place, min(value), avg(value), max(value), count(*)
    FROM reading
    WHERE ts >= :start AND ts < :end AND channel_id = :channel AND quality < 2
    GROUP BY place ORDER BY place
"""
_NEWEST = """
    INSERT INTO newest (channel_id, ts, value, quality, reason_id, first_ts)
    VALUES (?1, ?2, ?3, ?4, (SELECT id FROM reason WHERE text = ?5), ?6)
    ON CONFLICT (channel_id) DO UPDATE SET
      ts = excluded.ts, value = excluded.value, quality = excluded.quality,
      reason_id = excluded.reason_id
    WHERE excluded.ts > newest.ts
"""
_FIRST = "UPDATE newest SET first_ts = ?1 WHERE channel_id = ?2 AND first_ts > ?1"
_NEWEST_GOOD = """
    INSERT INTO newest_good (channel_id, ts, value) VALUES (?1, ?2, ?3)
    ON CONFLICT (channel_id) DO UPDATE SET ts = excluded.ts, value = excluded.value
    WHERE excluded.ts > newest_good.ts
"""


def add(connection: sqlite3.Connection, rows: Sequence[ReadingRow]) -> int:
    """Add readings within the caller's transaction; return how many were already there.

    Of several at the same time and channel the first wins, in the file and within `rows`.
    """
    reasons = {row[4] for row in rows if row[4]}
    if reasons:
        connection.executemany(_ADD_REASON, [(reason,) for reason in sorted(reasons)])
    added = connection.executemany(_ADD, rows).rowcount
    if added < len(rows):  # a redelivery: what counts as newest is what the file holds
        rows = [connection.execute(_STORED, row[:2]).fetchone() for row in rows]
    _note_newest(connection, rows)
    return len(rows) - added


def _note_newest(connection: sqlite3.Connection, rows: Iterable[ReadingRow]) -> None:
    newest: dict[int, ReadingRow] = {}
    good: dict[int, ReadingRow] = {}
    first: dict[int, Micros] = {}
    for row in rows:
        ts, number, _, quality, _ = row
        known = newest.get(number)
        if known is None:
            newest[number] = row
            first[number] = ts
        elif ts > known[0]:
            newest[number] = row
        elif ts < first[number]:
            first[number] = ts
        if quality == 0 and (number not in good or ts > good[number][0]):
            good[number] = row
    connection.executemany(
        _NEWEST,
        [
            (number, ts, value, quality, reason, first[number])
            for number, (ts, _, value, quality, reason) in newest.items()
        ],
    )
    connection.executemany(_FIRST, [(ts, number) for number, ts in first.items()])
    connection.executemany(_NEWEST_GOOD, [(number, row[0], row[2]) for number, row in good.items()])


def raw(
    connection: sqlite3.Connection, channel: int, start: Micros, end: Micros, limit: int
) -> list[tuple[Micros, float, int, str]]:
    """Return at most `limit` readings in time order: time, value, quality, reason."""
    return connection.execute(_RAW, (start, end, channel, limit)).fetchall()


def buckets(
    connection: sqlite3.Connection, channel: int, start: Micros, end: Micros, points: int
) -> list[Bucket]:
    """Return at most `points` buckets over the range; empty ones are left out.

    All are of one width but the last, which ends with the range. The mean is the plain mean of
    the readings, each weighing the same however long it stood. Bad readings do not count.
    """
    if end <= start:
        return []
    width = -((start - end) // points)  # rounded up
    found = connection.execute(
        _BUCKETS, {"start": start, "end": end, "width": width, "channel": channel}
    )
    return [
        Bucket(start + place * width, min(start + (place + 1) * width, end), low, mean, high, count)
        for place, low, mean, high, count in found
    ]


def span(connection: sqlite3.Connection, channel: int) -> tuple[Micros, Micros] | None:
    """Return the times of the channel's first and last reading, or None."""
    found: tuple[Micros, Micros] | None = connection.execute(
        "SELECT first_ts, ts FROM newest WHERE channel_id = ?", (channel,)
    ).fetchone()
    return found
