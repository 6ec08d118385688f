"""The monthly reminder: due 30 days after the last full test, on record once, over restarts."""

from contextlib import closing
from pathlib import Path

import pytest
from support.outbox_desk import Person
from support.still_clock import NOON, HandClock

from weirwatch.domain.alarm import Event
from weirwatch.domain.errors import ConfigError, TransientError
from weirwatch.pipeline.inbox import ServiceEventRequest
from weirwatch.pipeline.notice_desk import NoticeDesk
from weirwatch.pipeline.notice_tests import DAY, Trials, TrialWatch, reminder, trials_json
from weirwatch.pipeline.outbox import Outbox
from weirwatch.pipeline.timekeeper import Timekeeper
from weirwatch.ports import Group
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal
from weirwatch.store.sqlite_outbox import SqliteOutbox

PEOPLE = ["mara", "odd"]


@pytest.mark.parametrize(
    ("at", "since", "said"),
    [
        ({}, None, ""),
        ({}, NOON, ""),
        ({}, NOON - 31 * DAY, "no test of notices has ever reached mara, odd"),
        ({"mara": NOON}, NOON - 31 * DAY, "no test of notices has ever reached odd"),
        ({"mara": NOON, "odd": NOON - 30 * DAY}, 0, ""),
        (
            {"mara": NOON, "odd": NOON - 34 * DAY},
            0,
            "the last full test of notices is 34 days old",
        ),
    ],
)
def test_when_it_is_due(at: dict[str, int], since: int | None, said: str) -> None:
    assert reminder(Trials(at, since), PEOPLE, NOON).startswith(said)
    assert bool(reminder(Trials(at, since), PEOPLE, NOON)) is bool(said)
    shown = trials_json(Trials(at, since), PEOPLE, NOON)
    assert shown["due"] is bool(said)
    assert shown["untested"] == [name for name in PEOPLE if name not in at]


class World:
    """An outbox that delivers tests, and what it put on record."""

    def __init__(self, folder: Path, text: str) -> None:
        from weirwatch.config import load

        config = folder / "weirwatch.toml"
        config.write_text(text)
        self.path, self.clock = folder / FILE_NAME, HandClock()
        self.journal = SqliteJournal(self.path)
        self.mara, self.odd = Person(), Person()
        self.settings = load(config)
        self.asked: list[ServiceEventRequest] = []
        self.desk = NoticeDesk(self.settings, self.clock, self.asked.append)
        self.seq = 0
        self.event("service-started", "")
        self.start()

    def start(self) -> None:
        self.told: list[str] = []
        self.tests = TrialWatch(PEOPLE, self.event)
        self.outbox = Outbox(
            lambda: SqliteOutbox(self.path), {"mara": self.mara, "odd": self.odd}, self.clock,
            Timekeeper(self.clock, None), lambda _: None, None, self.tests,
        )  # fmt: skip
        store = self.outbox._opened()
        assert store is not None
        store.close()

    def event(self, kind: str, message: str) -> None:
        self.seq += 1
        event = Event(time=self.clock.now().utc, kind=kind, message=message)
        self.journal.commit(Group(events=[(self.seq, event)]))
        if self.seq > 1:
            self.told.append(kind)

    def test_all(self) -> None:
        """What `weirwatch notice test` asks of the running service."""
        self.desk.handle({"name": "test", "recipient": None, "who": "keeper"})
        request = self.asked.pop()
        assert (request.kind, request.write is not None) == ("notice-test", True)
        assert request.write is not None
        self.journal.commit(Group(notices=list(request.write(self.seq, self.clock.now().utc))))

    def turn(self) -> None:
        with closing(SqliteOutbox(self.path)) as store:
            self.outbox.turn_once(store)


HALL = """
[[system]]
id = "hall"
[[channel]]
id = "hall/node/level"
quantity = "level"
unit = "mm"
[[recipient]]
id = "mara"
kind = "console"
[[recipient]]
id = "odd"
kind = "console"
"""


def test_on_record_once_each_time_it_becomes_due_also_over_restarts(tmp_path: Path) -> None:
    world = World(tmp_path, HALL)
    try:
        world.test_all()
        world.turn()
        assert (len(world.mara.got), len(world.odd.got)) == (1, 1)
        world.clock.go(30 * 86_400)
        world.turn()
        assert world.told == []
        assert world.tests.as_json(world.clock.utc)["due"] is False
        world.clock.go(3600)
        for _ in range(3):
            world.turn()
        assert world.told == ["notice-test-due"]
        world.start()
        world.turn()
        assert world.told == []
        assert world.tests.as_json(world.clock.utc)["due"] is True
        world.test_all()
        world.turn()
        assert world.tests.as_json(world.clock.utc)["due"] is False
        world.clock.go(31 * 86_400)
        world.turn()
        assert world.told == ["notice-test-due"]
        with closing(SqliteArchive(world.path)) as archive:
            assert archive.tested() == dict.fromkeys(PEOPLE, NOON + 30 * DAY + 3600 * 1_000_000)
            assert archive.first_event_at() == NOON
    finally:
        world.journal.close()


def test_a_test_to_one_only_is_no_full_one(tmp_path: Path) -> None:
    world = World(tmp_path, HALL)
    try:
        world.odd.unreachable = TransientError("no answer")
        world.test_all()
        world.turn()
        assert world.tests.as_json(world.clock.utc)["untested"] == ["odd"]
        assert world.tests.as_json(world.clock.utc)["last_full_at"] is None
    finally:
        world.journal.close()


def test_a_request_that_is_none(tmp_path: Path) -> None:
    world = World(tmp_path, HALL)
    try:
        for request in (None, {}, {"name": "tset"}, {"name": "test", "recipient": "mary"}):
            with pytest.raises(ConfigError):
                world.desk.handle(request)
        assert world.asked == []
    finally:
        world.journal.close()
