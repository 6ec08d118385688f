"""The outbox thread's side of the file: which notices are due, and what became of them."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from weirwatch.domain.errors import PermanentError
from weirwatch.domain.instant import Micros
from weirwatch.ports import Notice
from weirwatch.store import rows
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

    def close(self) -> None:
        """Close; idempotent."""
        self._connection.close()

    def _change(self, notice_id: str, sets: str, values: tuple[Any, ...]) -> None:
        with transaction(self._connection, self._path):
            changed = self._connection.execute(
                f"UPDATE notice SET {sets} WHERE id = ?",  # noqa: S608 - our own words
                (*values, notice_id),
            ).rowcount
            if changed == 0:
                raise PermanentError(f"{self._path}: there is no notice {notice_id!r}")
