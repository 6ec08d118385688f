"""Every kind of history in one shape, so that one suite can hold them all to the same."""

import time
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path

from support.far_servers import Server
from support.still_clock import HandClock
from support.stored import CHANNELS, T0, Row, tend

from weirwatch.domain.instant import Micros
from weirwatch.ports import Archive, Group
from weirwatch.store.block import HOUR
from weirwatch.store.connection import open_writer
from weirwatch.store.far.archive import FarArchive
from weirwatch.store.far.forwarder import MISSING_REST, SETTLED_AFTER, Forwarder
from weirwatch.store.far.history import FarHistory
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal


class World:
    """A file, and perhaps a server behind it, at a time of its own."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / FILE_NAME
        self.clock = HandClock(T0)
        self.open()

    def open(self) -> None:
        self.journal = self.new_journal()
        self.numbers = dict(self.journal.adopt(CHANNELS, ()))
        self.archive: Archive = self.new_archive()

    def new_journal(self) -> SqliteJournal:
        return SqliteJournal(self.path)

    def new_archive(self) -> Archive:
        return SqliteArchive(self.path)

    def commit(self, rows: Sequence[Row]) -> int:
        return self.journal.commit(Group(readings=list(rows), committed_at=self.clock.utc))

    def pass_time(self, span: Micros) -> None:
        self.clock.utc += span
        self.clock.mono += span

    def settle(self) -> None:
        """An hour or two pass; whatever is done in the background is done."""
        self.pass_time(3 * HOUR)
        tend(self.journal, self.clock.utc)

    def restart(self) -> None:
        self.close()
        self.open()

    def take_server_away(self) -> None:
        """There is none to take away."""

    def bring_server_back(self) -> None:
        """It never was away."""

    def close(self) -> None:
        self.archive.close()
        self.journal.close()

    @property
    def resolution(self) -> Micros:
        return 1

    def end(self) -> None:
        self.close()


class FarWorld(World):
    """With a server behind the file."""

    def __init__(self, folder: Path, server: Server, far: Callable[[], FarHistory]) -> None:
        self.server = server
        self.make_far = far
        super().__init__(folder)

    def new_journal(self) -> SqliteJournal:
        self.far = self.make_far()
        self.forwarder = Forwarder(self.path, self.far, self.clock)
        return SqliteJournal(self.path, far=True)

    def new_archive(self) -> Archive:
        return FarArchive(self.path, self.far)

    def turn(self) -> float:
        """One turn of the forwarder."""
        with closing(open_writer(self.path)) as connection:
            return self.forwarder.step(connection)

    def settle(self) -> None:
        self.pass_time(3 * HOUR)
        for _ in range(6):  # send; confirm, perhaps send again; confirm that
            resent = self.forwarder.as_json()["resent"]
            self.turn()
            if self.forwarder.as_json()["resent"] > resent:
                time.sleep(0.5)  # a busy server takes what it took a moment later
            self.server.settle()
            self.pass_time(SETTLED_AFTER)
        self.wait_for_new_series()
        tend(self.journal, self.clock.utc)
        assert self.forwarder.as_json()["state"] == ""

    def wait_for_new_series(self) -> None:
        """VictoriaMetrics may need some ten real seconds until it shows a series that it was asked
        for before it had it; the clock of a test has gone on by minutes meanwhile."""
        ends = time.monotonic() + 20
        while "shows none" in self.forwarder.as_json()["state"] and time.monotonic() < ends:
            time.sleep(1)
            self.pass_time(MISSING_REST)
            self.turn()

    def take_server_away(self) -> None:
        self.server.stop()

    def bring_server_back(self) -> None:
        self.server.start()

    @property
    def resolution(self) -> Micros:
        return self.far.resolution

    def end(self) -> None:
        self.close()
        self.far.close()
        self.server.close()
