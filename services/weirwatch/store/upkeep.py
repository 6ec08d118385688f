"""What the file needs besides commits, in small pieces: sealing, retention, room on the disk."""

import logging
import shutil
import sqlite3
from collections.abc import Sequence
from pathlib import Path

from weirwatch.domain.errors import WeirwatchError
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.ports import Clock
from weirwatch.store.block import HOUR
from weirwatch.store.connection import DiskFullError
from weirwatch.store.far.trimming import Trimmer
from weirwatch.store.recorder import Recorder
from weirwatch.store.reserve import Reserve
from weirwatch.store.retention import Retention
from weirwatch.store.sealing import MARGIN, Sealer
from weirwatch.store.spans import SpanPacker

log = logging.getLogger(__name__)

REST: Micros = 60 * SECOND  # between two looks, when there was nothing to do or it failed
TIGHT_BYTES = 64 * 1024 * 1024  # with less free on the disk, the file lives on its own free pages
PLENTY_BYTES = 4 * TIGHT_BYTES  # with so much free, room is set aside
SPARE_BYTES = 8 * 1024 * 1024  # of which it then keeps so many, at the cost of the oldest readings
KEPT_WHEN_TIGHT: Micros = 48 * HOUR


class Upkeep:
    """Looks after the file between commits; the writing thread only.

    Args:
        path: the file.
        recorder: is told when blocks have changed.
        keeper: seals what is old enough, or takes out what is elsewhere.
        retention: lets go what is too old.
        clock: measures the budget; None: one piece of work a call.
        reserve: room on the disk, set aside while there is enough.
    """

    def __init__(
        self,
        path: Path,
        recorder: Recorder,
        keeper: Sealer | Trimmer,
        retention: Retention,
        clock: Clock | None,
        reserve: Reserve,
    ) -> None:
        self._folder = path.parent
        self._recorder = recorder
        self._keeper = keeper
        self._packer = SpanPacker(path)
        self._retention = retention
        self._clock = clock
        self._reserve = reserve
        self._rest_until: Micros | None = None
        self.failures = 0
        self.let_go_for_room = 0

    def arrived(self, times: Sequence[Micros], now: Micros) -> None:
        """Note that readings of these times were committed among the recent ones."""
        self._keeper.arrived(times, now)

    def run(self, connection: sqlite3.Connection, now: Micros, budget_s: float) -> bool:
        """Work for about so long; return whether there is more to do.

        What fails has changed nothing; it is tried again after a rest.

        Raises:
            DiskFullError: room is needed first; no other error of ours.
        """
        if self._rest_until is not None and self._rest_until - REST <= now < self._rest_until:
            return False
        self._rest_until = None
        ends = None if self._clock is None else self._clock.real_mono() + budget_s * SECOND
        try:
            while self._step(connection, now):
                if ends is None or self._clock is None or self._clock.real_mono() >= ends:
                    return True
        except DiskFullError:
            self.failures += 1
            self._rest_until = now + REST
            raise
        except WeirwatchError as trouble:
            self.failures += 1
            log.warning("store.upkeep_failed error=%s", trouble)
        self._rest_until = now + REST
        return False

    def _step(self, connection: sqlite3.Connection, now: Micros) -> bool:
        try:
            return (
                self._make_room(connection, now)  # first: on a full disk nothing else can be done
                or self._keeper.step(connection, now)
                or self._packer.step(connection, now - MARGIN)
                or self._retention.step(connection, now)
            )
        finally:
            self._recorder.forget()

    def _make_room(self, connection: sqlite3.Connection, now: Micros) -> bool:
        """On a disk that is all but full, let the oldest readings go: commits need the room."""
        try:
            usage = shutil.disk_usage(self._folder)
        except OSError as error:
            log.warning("store.space_unknown error=%s", error)
            return False
        if usage.free >= PLENTY_BYTES:
            self._reserve.keep()
        if usage.free >= TIGHT_BYTES or _spare_bytes(connection) >= SPARE_BYTES:
            return False
        gone = self._retention.let_oldest_go(connection, now - KEPT_WHEN_TIGHT)
        if gone:
            self.let_go_for_room += 1
            log.error("store.readings_let_go_for_room free=%d", usage.free)
        return gone


def _spare_bytes(connection: sqlite3.Connection) -> int:
    pages = connection.execute("PRAGMA freelist_count").fetchone()[0]
    size = connection.execute("PRAGMA page_size").fetchone()[0]
    return int(pages * size)
