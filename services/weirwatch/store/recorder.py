"""Where a new reading goes, and whether it is there already: the write side of history.

What is newer than all that is known of its channel, in an hour that nobody has sealed, is appended
without a look at anything else. The rest is compared: with the block of its hour if there is one,
else with the recent commits. Of several at one time the first wins.
"""

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from weirwatch.domain.errors import PermanentError
from weirwatch.domain.instant import Micros
from weirwatch.store import blocks, history, hot
from weirwatch.store.block import HOUR, QUALITY_BITS, Readings, hour_of
from weirwatch.store.blocks import DamageNotes

# time, channel number, value, quality, reason: as in `ports.Group.readings`
ReadingRow = tuple[Micros, int, float, int, str]
CodedRow = tuple[Micros, int, float, int]  # quality and reason as one code

_CATCH_UP_ROWS = 1500  # readings after which the tables of the newest are brought up to date
_CATCH_UP_GROUPS = 60

_ADD_REASON = "INSERT INTO reason (text) VALUES (?) ON CONFLICT (text) DO NOTHING"


class Recorded(NamedTuple):
    """What became of a commit's readings.

    Attributes:
        duplicates: how many were already there.
        appended: times of those that were appended to the recent ones.
    """

    duplicates: int
    appended: Sequence[Micros]


@dataclass(slots=True)
class _Known:
    """What the file holds, remembered; true as long as every transaction succeeds.

    Attributes:
        newest: time of each channel's newest reading.
        sealed_end: start of the first hour without any block.
        number: of the last commit with readings.
        rows, groups: since the tables of the newest were brought up to date.
    """

    newest: dict[int, Micros]
    sealed_end: Micros
    number: int
    rows: int
    groups: int


class Recorder:
    """Adds readings within the caller's transactions; used by the writing thread only.

    After a transaction that failed, and after any change by others, call `forget`.

    Args:
        damage: where damage is noted.
        far: the history is on a server: blocks are of a time before that, and nothing joins them,
            since only the recent readings go to the server.
    """

    def __init__(self, damage: DamageNotes, *, far: bool = False) -> None:
        self._damage = damage
        self._far = far
        self._known: _Known | None = None

    def forget(self) -> None:
        """Forget what is remembered of the file; it is read again at the next commit."""
        self._known = None

    def add(
        self, connection: sqlite3.Connection, rows: Sequence[ReadingRow], at: Micros
    ) -> Recorded:
        """Add one commit's readings; `at` is its time.

        Raises:
            PermanentError: a value is not a number.
        """
        known = self._known or self._learn(connection)
        self._known = known
        known_rows = coded(connection, rows)
        fresh, others = _split(known_rows, known)
        merged = 0
        if others:
            fresh_others, merged = self._compare(connection, fresh, others)
            fresh += fresh_others
        if fresh:
            known.number += 1
            hot.append(connection, known.number, at, hot.rows_of(fresh))
            self._catch_up(connection, known, len(fresh))
        return Recorded(len(rows) - len(fresh) - merged, [row[0] for row in fresh])

    def _learn(self, connection: sqlite3.Connection) -> _Known:
        latest = history.latest(connection, self._damage)
        upto, sealed_end = connection.execute("SELECT newest_upto, sealed_end FROM meta").fetchone()
        last = hot.last(connection)
        return _Known(
            newest={channel: item.ts for channel, item in latest.items()},
            sealed_end=sealed_end * HOUR if sealed_end is not None else -(2**63),
            number=max(upto, last[0] if last is not None else 0),
            rows=0,
            groups=0,
        )

    def _compare(
        self, connection: sqlite3.Connection, fresh: Sequence[CodedRow], others: Sequence[CodedRow]
    ) -> tuple[list[CodedRow], int]:
        """Return those of the others that go to the recent ones, and how many went into blocks."""
        by_place: dict[tuple[int, int], list[CodedRow]] = {}
        for row in others:
            by_place.setdefault((row[1], hour_of(row[0])), []).append(row)
        unsealed: list[CodedRow] = []
        merged = 0
        for (channel, hour), some in by_place.items():
            found = blocks.at(connection, channel, hour)
            if found is None:
                unsealed += some
            elif self._far:
                there = blocks.times(found, self._damage)
                unsealed += [row for row in some if row[0] not in there]
            else:
                merged += self._merge(connection, found, some)
        return self._unknown(connection, fresh, unsealed), merged

    def _merge(
        self, connection: sqlite3.Connection, found: blocks.Found, some: Sequence[CodedRow]
    ) -> int:
        ts, channel, value, code = hot.rows_of(some)
        new = blocks.merge(connection, found, Readings(ts, value, code), self._damage)
        latest = history.latest_of(hot.Rows(new.ts, channel[: len(new.ts)], new.value, new.code))
        history.note_latest(connection, latest)
        return len(new.ts)

    def _unknown(
        self, connection: sqlite3.Connection, fresh: Sequence[CodedRow], rows: Sequence[CodedRow]
    ) -> list[CodedRow]:
        """Return those that are not among the recent ones yet."""
        if not rows:
            return []
        start, end = min(row[0] for row in rows), max(row[0] for row in rows) + 1
        recent = hot.unpack(hot.between(connection, start, end), self._damage)
        inside = hot.chosen(recent, (recent.ts >= start) & (recent.ts < end))
        there = set(zip(inside.ts.tolist(), inside.channel.tolist(), strict=True))
        there.update(row[:2] for row in fresh)
        unknown = []
        for row in rows:
            if row[:2] not in there:
                there.add(row[:2])
                unknown.append(row)
        return unknown

    def _catch_up(self, connection: sqlite3.Connection, known: _Known, rows: int) -> None:
        known.rows += rows
        known.groups += 1
        if known.rows >= _CATCH_UP_ROWS or known.groups >= _CATCH_UP_GROUPS:
            history.catch_up_latest(connection, self._damage)
            known.rows = known.groups = 0


def coded(connection: sqlite3.Connection, rows: Iterable[ReadingRow]) -> list[CodedRow]:
    """Return the rows with quality and reason in one; new reasons are added.

    Raises:
        PermanentError: a value is not a number.
    """
    reasons = {row[4] for row in rows if row[4]}
    numbers = {"": 0}
    if reasons:
        connection.executemany(_ADD_REASON, [(reason,) for reason in sorted(reasons)])
        for reason in reasons:
            numbers[reason] = connection.execute(
                "SELECT id FROM reason WHERE text = ?", (reason,)
            ).fetchone()[0]
    found = [
        (ts, channel, value, quality | numbers[reason] << QUALITY_BITS)
        for ts, channel, value, quality, reason in rows
    ]
    for _, channel, value, _ in found:
        if value != value:  # only what is not a number differs from itself
            raise PermanentError(
                f"a reading of channel number {channel} is not a number; nothing was changed"
            )
    return found


def _split(rows: Iterable[CodedRow], known: _Known) -> tuple[list[CodedRow], list[CodedRow]]:
    """Return those that are certainly new and recent, and the others."""
    fresh: list[CodedRow] = []
    others: list[CodedRow] = []
    newest, sealed_end = known.newest, known.sealed_end
    for row in rows:
        ts, channel, _, _ = row
        before = newest.get(channel)
        if before is None or ts > before:
            newest[channel] = ts
            (fresh if ts >= sealed_end else others).append(row)
        else:
            others.append(row)
    return fresh, others
