"""The outbox thread's side of the file: which notices are due, and what became of them."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from weirwatch.domain.errors import PermanentError
from weirwatch.domain.instant import Micros
from weirwatch.ports import Notice
from weirwatch.store import notice_tests, rows
from weirwatch.store.connection import open_writer, own_errors, transaction

# One notice of each recipient, then the second of each: a long queue delays nobody else's first.
_DUE = rows.select_from(
    "notice",
    rows.NOTICE_COLUMNS,
    """
    WHERE state = 'pending' AND next_try <= ?
    ORDER BY row_number() OVER (PARTITION BY recipient ORDER BY event_seq, number), event_seq
    LIMIT ?
    """,
)


_ADD = rows.insert_into("notice", rows.NOTICE_COLUMNS)
_DUE_TO = rows.select_from(
    "notice",
    rows.NOTICE_COLUMNS,
    "WHERE state = 'pending' AND next_try <= ? AND recipient = ? ORDER BY event_seq, number "
    "LIMIT ?",
)
_WAITS = (
    "SELECT count(*) FROM alarm WHERE rule = ? AND state = 'unacknowledged' "
    "AND service_state = 'in-service'"
)


class SqliteOutbox:
    """`ports.OutboxStore` on an existing file; every change is a transaction of its own.

    Raises:
        TransientError, PermanentError: the file cannot be opened.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._connection = open_writer(path)

    def due(self, now: Micros, limit: int) -> Sequence[Notice]:
        """Return pending notices with `next_try` ≤ now, oldest event first per recipient."""
        with own_errors(self._path):
            found = self._connection.execute(_DUE, (now, limit)).fetchall()
        return [rows.notice_from(row) for row in found]

    def next_due(self) -> Micros | None:
        """Return the earliest `next_try` of pending notices, or None."""
        with own_errors(self._path):
            found = self._connection.execute(
                "SELECT min(next_try) FROM notice WHERE state = 'pending'"
            ).fetchone()
        earliest: Micros | None = found[0]
        return earliest

    def delivered(self, notice_id: str, time: Micros) -> None:
        """Record a delivery; its attempt counts, the last error stays on record."""
        self._change(
            notice_id,
            "state = 'delivered', attempts = attempts + 1, delivered_at = ?",
            (time,),
        )

    def failed(self, notice_id: str, error: str, next_try: Micros | None) -> None:
        """Record a failed attempt; `next_try` None gives the notice up (dead letter)."""
        text = rows.storable(error)
        if next_try is None:
            self._change(
                notice_id, "state = 'given-up', attempts = attempts + 1, last_error = ?", (text,)
            )
        else:
            self._change(
                notice_id, "attempts = attempts + 1, last_error = ?, next_try = ?", (text, next_try)
            )

    def due_to(self, recipient: str, now: Micros, limit: int) -> Sequence[Notice]:
        """Return one recipient's pending notices with `next_try` ≤ now, oldest event first."""
        with own_errors(self._path):
            found = self._connection.execute(_DUE_TO, (now, recipient, limit)).fetchall()
        return [rows.notice_from(row) for row in found]

    def waits(self, rule: str) -> bool:
        """Return whether the rule's alarm stands, in service, and nobody has acknowledged it."""
        return self._count(_WAITS, rule) > 0

    def expired(self, notice_id: str, reason: str) -> None:
        """Record that a notice was no longer news and is not sent."""
        self._change(notice_id, "state = 'expired', last_error = ?", (rows.storable(reason),))

    def postponed(self, notice_ids: Sequence[str], next_try: Micros) -> None:
        """Look at pending notices again later; no attempt is counted."""
        with transaction(self._connection, self._path):
            self._connection.executemany(
                "UPDATE notice SET next_try = ? WHERE id = ? AND state = 'pending'",
                [(next_try, notice_id) for notice_id in notice_ids],
            )

    def fold(self, notice_ids: Sequence[str], into: Notice) -> None:
        """Put one notice in the place of several pending ones, all or nothing."""
        reason = f"told in {into.id}"
        with transaction(self._connection, self._path):
            self._connection.executemany(
                "UPDATE notice SET state = 'folded', last_error = ? "
                "WHERE id = ? AND state = 'pending'",
                [(reason, notice_id) for notice_id in notice_ids],
            )
            self._connection.execute(_ADD, rows.notice_row(into))

    def pending(self) -> int:
        """Return how many notices are not delivered yet and will be tried."""
        return self._count("SELECT count(*) FROM notice WHERE state = 'pending'")

    def dead_letters(self) -> int:
        """Return how many notices were given up since the file was made."""
        return self._count("SELECT count(*) FROM notice WHERE state = 'given-up'")

    def tested(self) -> Mapping[str, Micros]:
        """Return by recipient when a test notice last arrived."""
        with own_errors(self._path):
            return notice_tests.tested(self._connection)

    def first_event_at(self) -> Micros | None:
        """Return the time of the file's first event, or None."""
        with own_errors(self._path):
            return notice_tests.first_event_at(self._connection)

    def last_event_at(self, kind: str) -> Micros | None:
        """Return the time of the newest event of a kind, or None."""
        with own_errors(self._path):
            return notice_tests.last_event_at(self._connection, kind)

    def close(self) -> None:
        """Close; idempotent."""
        self._connection.close()

    def _count(self, query: str, *values: Any) -> int:
        with own_errors(self._path):
            return int(self._connection.execute(query, values).fetchone()[0])

    def _change(self, notice_id: str, sets: str, values: tuple[Any, ...]) -> None:
        with transaction(self._connection, self._path):
            changed = self._connection.execute(
                f"UPDATE notice SET {sets} WHERE id = ?",  # noqa: S608 - our own words
                (*values, notice_id),
            ).rowcount
            if changed == 0:
                raise PermanentError(f"{self._path}: there is no notice {notice_id!r}")
