"""How long readings are kept: raw for so many days, the summary of each hour for ever."""

import sqlite3
from pathlib import Path

from weirwatch.domain.instant import Micros
from weirwatch.store import blocks
from weirwatch.store.block import HOUR, hour_of
from weirwatch.store.blocks import DamageNotes
from weirwatch.store.connection import transaction

DAY: Micros = 24 * HOUR


class Retention:
    """Lets readings go hour by hour, the oldest first; the writing thread only.

    Args:
        path: the file.
        raw_days: readings older than so many days are let go; None: none are.
        damage: where damage is noted.
    """

    def __init__(self, path: Path, raw_days: float | None, damage: DamageNotes) -> None:
        self._path = path
        self._raw = None if raw_days is None else round(raw_days * DAY)
        self._damage = damage

    def let_oldest_go(self, connection: sqlite3.Connection, before: Micros) -> bool:
        """Let the oldest hour of all go if it ended before this time; return whether there was one.

        Raises:
            TransientError, PermanentError: nothing was changed.
        """
        return self._let_go(connection, hour_of(before))

    def step(self, connection: sqlite3.Connection, now: Micros) -> bool:
        """Let the oldest hour go if it is old enough; return whether there was one.

        Raises:
            TransientError, PermanentError: nothing was changed.
        """
        if self._raw is None:
            return False
        return self._let_go(connection, hour_of(now - self._raw))

    def _let_go(self, connection: sqlite3.Connection, end: int) -> bool:
        (raw_from,) = connection.execute("SELECT raw_from FROM meta").fetchone()
        hour = blocks.oldest(connection, raw_from if raw_from is not None else -(2**62))
        if hour is None or hour >= end:
            return False
        with transaction(connection, self._path):
            blocks.let_go(connection, hour, self._damage)
            connection.execute("UPDATE meta SET raw_from = ?", (hour + 1,))
        return True
