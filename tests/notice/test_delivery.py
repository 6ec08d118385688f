"""The outbox with a real receiver: the receiver's log compared id by id."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from support.receivers import HttpReceiver, http_receiver
from support.still_clock import NOON, HandClock

from weirwatch.domain.errors import TransientError
from weirwatch.domain.instant import SECOND
from weirwatch.notice.webhook import WebhookNotifier
from weirwatch.pipeline.outbox import Outbox
from weirwatch.pipeline.timekeeper import Timekeeper
from weirwatch.ports import Group, Notice
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal
from weirwatch.store.sqlite_outbox import SqliteOutbox

IDS = [f"{seq}-hook" for seq in range(1, 6)]


@pytest.fixture
def receiver() -> Iterator[HttpReceiver]:
    with http_receiver() as made:
        yield made


class Desk:
    """Five notices to one webhook, and an outbox that is turned by hand."""

    def __init__(self, folder: Path, receiver: HttpReceiver) -> None:
        self.path, self.receiver, self.clock = folder / FILE_NAME, receiver, HandClock()
        self.trouble: list[str | None] = []
        with closing(SqliteJournal(self.path)) as journal:
            notices = [Notice(i, n, "hook", NOON, "Sump high", {}) for n, i in enumerate(IDS, 1)]
            journal.commit(Group(notices=notices))

    def outbox(self, timeout_s: float = 60.0) -> Outbox:
        url = self.receiver.url
        hook = WebhookNotifier("hook", url, "", "/x", self.clock, timeout_s=timeout_s)
        return Outbox(
            lambda: SqliteOutbox(self.path),
            {"hook": hook},
            self.clock,
            Timekeeper(self.clock, None),
            self.trouble.append,
        )

    def arrived(self) -> list[str]:
        return [posted.headers["Idempotency-Key"] for posted in self.receiver.posted]

    def states(self) -> list[str]:
        with closing(SqliteArchive(self.path)) as archive:
            return [notice.state for _, notice in archive.notices(0, 100)]


@pytest.fixture
def desk(tmp_path: Path, receiver: HttpReceiver) -> Desk:
    return Desk(tmp_path, receiver)


def test_each_once_and_in_order(desk: Desk) -> None:
    with closing(SqliteOutbox(desk.path)) as store:
        desk.outbox().turn_once(store)
    assert desk.arrived() == IDS
    assert desk.states() == ["delivered"] * 5


def test_ended_between_send_and_mark_it_comes_again_under_the_same_id(desk: Desk) -> None:
    class Cut(SqliteOutbox):
        """The power goes when the third delivery is to be marked."""

        def delivered(self, notice_id: str, time: int) -> None:
            if notice_id == "3-hook":
                raise TransientError("the power is gone")
            super().delivered(notice_id, time)

    with closing(Cut(desk.path)) as cut:
        desk.outbox().turn_once(cut)
    assert desk.arrived() == IDS[:3]
    with closing(SqliteOutbox(desk.path)) as store:
        desk.outbox().turn_once(store)
    assert desk.arrived() == [*IDS[:3], *IDS[2:]]
    assert desk.states() == ["delivered"] * 5


def test_asked_to_wait_it_waits_so_long(desk: Desk) -> None:
    desk.receiver.answers = [(429, {"Retry-After": "90"})]
    outbox = desk.outbox()
    with closing(SqliteOutbox(desk.path)) as store:
        outbox.turn_once(store)
        desk.clock.go(89)
        outbox.turn_once(store)
        assert desk.arrived() == IDS[:1]
        desk.clock.go(1)
        outbox.turn_once(store)
    assert desk.arrived() == [IDS[0], *IDS]


def test_a_refusal_is_given_up_and_told_and_the_others_go_out(desk: Desk) -> None:
    desk.receiver.answers = [(404, {})]
    with closing(SqliteOutbox(desk.path)) as store:
        desk.outbox().turn_once(store)
    assert desk.states() == ["given-up", *["delivered"] * 4]
    assert desk.trouble[0] is not None
    assert "1-hook was given up" in desk.trouble[0]


def test_away_for_a_day_all_arrive_once(desk: Desk) -> None:
    outbox = desk.outbox()
    desk.receiver.answers = [(503, {}) for _ in range(1000)]
    with closing(SqliteOutbox(desk.path)) as store:
        for _ in range(24):
            outbox.turn_once(store)
            desk.clock.go(3600)
        assert desk.states() == ["pending"] * 5
        assert any(told and "hook cannot be reached" in told for told in desk.trouble)
        desk.receiver.posted.clear()
        desk.receiver.answers = []
        for _ in range(5):
            outbox.turn_once(store)
            desk.clock.go(600)
    assert sorted(desk.arrived()) == IDS
    assert desk.states() == ["delivered"] * 5
    assert desk.trouble[-1] is None
    assert desk.clock.utc > NOON + 24 * 3600 * SECOND


def test_a_slow_server_gets_it_again_under_the_same_id(desk: Desk) -> None:
    desk.receiver.slow_s = 60
    with closing(SqliteOutbox(desk.path)) as store:
        desk.outbox(timeout_s=1.0).turn_once(store)
        assert desk.states() == ["pending"] * 5
        desk.receiver.slow_s = 0
        desk.clock.go(30)
        desk.outbox().turn_once(store)
    assert desk.arrived() == [IDS[0], *IDS]
