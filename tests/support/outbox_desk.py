"""An outbox on a real file, with two persons who can be told how to answer."""

from collections.abc import Callable
from pathlib import Path

from support.still_clock import NOON

from weirwatch.pipeline.outbox import Outbox
from weirwatch.pipeline.timekeeper import Timekeeper
from weirwatch.ports import Clock, Group, Notice, OutboxStore
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal
from weirwatch.store.sqlite_outbox import SqliteOutbox


class Person:
    """A notifier: takes notices, or raises what it was told to."""

    def __init__(self) -> None:
        self.got: list[str] = []
        self.tried: list[str] = []
        self.troubles: list[Exception] = []
        self.unreachable: Exception | None = None
        self.refused: dict[str, Exception] = {}
        self.after: Callable[[], None] = lambda: None
        self.closed = 0

    def send(self, notice: Notice) -> None:
        self.tried.append(notice.id)
        if self.troubles:
            raise self.troubles.pop(0)
        if self.unreachable is not None:
            raise self.unreachable
        if notice.id in self.refused:
            raise self.refused[notice.id]
        self.got.append(notice.id)
        self.after()

    def close(self) -> None:
        self.closed += 1


class Desk:
    """An outbox on a real file, with two persons."""

    def __init__(self, folder: Path, clock: Clock) -> None:
        self.path = folder / FILE_NAME
        self.journal = SqliteJournal(self.path)
        self.archive = SqliteArchive(self.path)
        self.mara, self.odd = Person(), Person()
        self.sentences: list[str | None] = []
        self.clock = clock
        self.outbox = self.made()
        self.store: OutboxStore = SqliteOutbox(self.path)

    def made(self) -> Outbox:
        persons = {"mara": self.mara, "odd": self.odd}
        return Outbox(
            lambda: SqliteOutbox(self.path),
            persons,
            self.clock,
            Timekeeper(self.clock, self.journal.restore().alive_at),
            self.sentences.append,
        )

    def add(self, *names: str) -> None:
        """Commit notices named `seq-recipient`."""
        group = Group(committed_at=self.clock.now().utc)
        for name in names:
            seq, recipient = name.split("-", 1)
            group.notices.append(Notice(name, int(seq), recipient, NOON, "Sump high", {}))
        self.journal.commit(group)

    def turn(self) -> float:
        return self.outbox.turn_once(self.store)

    def stored(self, name: str) -> Notice:
        return next(n for _, n in self.archive.notices(0, 1000) if n.id == name)

    def close(self) -> None:
        self.store.close()
        self.archive.close()
        self.journal.close()
