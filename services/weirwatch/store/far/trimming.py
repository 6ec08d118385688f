"""Takes out of the file what the server was found to have; the writing thread only."""

import sqlite3
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from weirwatch.domain.instant import Micros
from weirwatch.store import history, hot
from weirwatch.store.block import HOUR
from weirwatch.store.blocks import DamageNotes
from weirwatch.store.connection import transaction
from weirwatch.store.far.spool import Spool, spool_of

_ALIVE = "UPDATE meta SET alive_at = max(coalesce(alive_at, ?1), ?1)"


class Trimmer:
    """In the place of `sealing.Sealer` with a history on a server."""

    def __init__(self, path: Path, damage: DamageNotes) -> None:
        self._path = path
        self._damage = damage
        self._done: Spool | None = None

    def arrived(self, times: Sequence[Micros], now: Micros) -> None:
        """Nothing is voided by what arrives."""
        del times, now

    def step(self, connection: sqlite3.Connection, now: Micros) -> bool:
        """Take out what is confirmed; return whether there was anything.

        Raises:
            TransientError, PermanentError: nothing was changed.
        """
        del now
        spool = spool_of(connection)
        if spool.confirmed_end is None or spool == self._done:
            return False
        self._done = spool
        groups = [
            group
            for group in hot.between(connection, -(2**63), spool.confirmed_end)
            if group.id <= spool.confirmed_upto and hot.is_sound(group)
        ]
        if not groups:
            return False
        rows = hot.unpack(groups, self._damage)
        hours = np.unique(rows.ts // HOUR)
        gone = hours[hours < spool.confirmed_end // HOUR].tolist()
        with transaction(connection, self._path):
            history.catch_up_latest(connection, self._damage)
            hot.take_out(connection, groups, gone)
            connection.execute(_ALIVE, (max(group.at for group in groups),))
        return True
