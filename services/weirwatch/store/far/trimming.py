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

MOST_COMMITS = 1000  # looked at in one step, so that days of them hold nobody up

_ALIVE = "UPDATE meta SET alive_at = max(coalesce(alive_at, ?1), ?1)"


class Trimmer:
    """In the place of `sealing.Sealer` with a history on a server."""

    def __init__(self, path: Path, damage: DamageNotes) -> None:
        self._path = path
        self._damage = damage
        self._done: Spool | None = None
        self._upto = 0  # the commit up to which this round has looked

    def arrived(self, times: Sequence[Micros], now: Micros) -> None:
        """Nothing is voided by what arrives."""
        del times, now

    def step(self, connection: sqlite3.Connection, now: Micros) -> bool:
        """Look at some commits, take out what is confirmed; return whether there may be more.

        Raises:
            TransientError, PermanentError: nothing was changed.
        """
        del now
        spool = spool_of(connection)
        if spool.confirmed_end is None or spool == self._done:
            return False
        some = hot.next_after(connection, self._upto, MOST_COMMITS)
        due = [
            group
            for group in some
            if group.id <= spool.confirmed_upto
            and group.t_first < spool.confirmed_end
            and hot.is_sound(group)
        ]
        if due:
            self._take_out(connection, due, spool.confirmed_end // HOUR)
        if len(some) == MOST_COMMITS:
            self._upto = some[-1].id
        else:
            self._upto, self._done = 0, spool
        return bool(due) or self._done != spool

    def _take_out(
        self, connection: sqlite3.Connection, groups: Sequence[hot.Group], end: int
    ) -> None:
        hours = np.unique(hot.unpack(groups, self._damage).ts // HOUR)
        with transaction(connection, self._path):
            history.catch_up_latest(connection, self._damage)
            hot.take_out(connection, groups, hours[hours < end].tolist())
            connection.execute(_ALIVE, (max(group.at for group in groups),))
