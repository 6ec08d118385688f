"""How late it is for what is kept for so many days: a wrong clock must not make readings old.

A board without a battery clock may boot years ahead, and for an hour nobody notices. So the day by
which readings age is the wall clock's, but passes at most twice as fast as the monotonic clock,
until the wall clock has stood undisturbed for a week of running. After a pause of the service, a
little more is kept than need be for as long as the pause was.
"""

import sqlite3
from pathlib import Path

from weirwatch.domain.instant import Micros
from weirwatch.ports import Clock
from weirwatch.store.block import HOUR
from weirwatch.store.connection import transaction

TABLES = ("ALTER TABLE meta ADD COLUMN aged_to INTEGER",)  # NULL: the first clock is believed

BELIEVED_AFTER: Micros = 168 * HOUR
PACE = 2
TAKEN_BACK_AFTER: Micros = HOUR  # of a clock that stands undisturbed before the day
_SAME: Micros = HOUR  # a smaller step of the wall clock is ordinary discipline
_KEPT_EVERY: Micros = HOUR  # what a restart may forget of it


class Ageing:
    """The day by which readings age; the writing thread only.

    Args:
        path: the file.
        clock: the clocks of the machine; None: service time is believed as it comes.
    """

    def __init__(self, path: Path, clock: Clock | None) -> None:
        self._path = path
        self._clock = clock
        self._mono: Micros = 0
        self._ahead: Micros = 0  # of the wall clock, before the monotonic one
        self._since: Micros = 0  # on the monotonic clock: how long that has been so
        self._day: Micros | None = None
        self._stored: Micros | None = None

    def begin(self, connection: sqlite3.Connection) -> None:
        """Go on from what the file remembers."""
        if self._clock is None:
            return
        moment = self._clock.now()
        self._mono = self._since = moment.mono
        self._ahead = moment.utc - moment.mono
        (self._stored,) = connection.execute("SELECT aged_to FROM meta").fetchone()
        self._day = self._stored

    def day(self, now: Micros) -> Micros:
        """Return how late it is for this service time: never later than that."""
        if self._clock is None:
            return now
        moment = self._clock.now()
        wall, mono = min(now, moment.utc), moment.mono
        if abs(moment.utc - mono - self._ahead) > _SAME:
            self._ahead, self._since = moment.utc - mono, mono
        if self._day is None or mono - self._since >= BELIEVED_AFTER:
            self._day = wall
        # A board that boots in 1970 is set right within minutes, and nothing is younger for that.
        if wall >= self._day or mono - self._since >= TAKEN_BACK_AFTER:
            self._day = min(wall, self._day + PACE * (mono - self._mono))
        self._mono = mono
        return min(wall, self._day)

    def keep(self, connection: sqlite3.Connection) -> None:
        """Have the file remember it, once an hour.

        Raises:
            TransientError, PermanentError: nothing was changed.
        """
        day, stored = self._day, self._stored
        if day is None or (stored is not None and abs(day - stored) < _KEPT_EVERY):
            return
        with transaction(connection, self._path):
            connection.execute("UPDATE meta SET aged_to = ?", (day,))
        self._stored = day
