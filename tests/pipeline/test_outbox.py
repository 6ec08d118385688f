"""The outbox: at least once under one id, in order, and no trouble that nobody hears of."""

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from support.still_clock import NOON, HandClock

from weirwatch.clock import SystemClock
from weirwatch.domain.errors import PermanentError, TransientError
from weirwatch.domain.instant import SECOND
from weirwatch.pipeline.outbox import ALARM_AFTER_ATTEMPTS, LONGEST_PAUSE_S, STORE_PAUSE_S, Outbox
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


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def desk(tmp_path: Path, clock: HandClock) -> Iterator[Desk]:
    desk = Desk(tmp_path, clock)
    yield desk
    desk.close()


BUSY = TransientError("the line is busy")


def until(what: Callable[[], bool], seconds: float = 10.0) -> None:
    ends = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < ends, "not in time"
        time.sleep(0.005)


# --- delivering ------------------------------------------------------------------------------


def test_due_notices_go_out_in_order_and_are_marked(desk: Desk, clock: HandClock) -> None:
    desk.add("3-mara", "1-mara", "2-odd", "2-mara")
    clock.go(1)
    assert desk.turn() == 60.0
    assert desk.mara.got == ["1-mara", "2-mara", "3-mara"]
    assert desk.odd.got == ["2-odd"]
    done = desk.stored("2-mara")
    assert (done.state, done.attempts, done.delivered_at) == ("delivered", 1, NOON + SECOND)
    assert desk.outbox.delivered == 4
    assert desk.sentences == []
    desk.turn()
    assert len(desk.mara.tried) == 3


def test_more_than_one_batch_goes_out_in_one_turn(desk: Desk) -> None:
    desk.add(*(f"{n}-mara" for n in range(1, 121)))
    desk.turn()
    assert desk.mara.got == [f"{n}-mara" for n in range(1, 121)]


def test_a_failed_notice_holds_the_next_ones_to_the_same_person_only(
    desk: Desk, clock: HandClock
) -> None:
    desk.mara.troubles = [BUSY]
    desk.add("1-mara", "2-mara", "3-mara", "4-odd")
    desk.turn()
    assert desk.mara.tried == ["1-mara"]
    assert desk.odd.got == ["4-odd"]
    clock.go(0.5)  # the first try again comes after 0.8 s at the earliest
    desk.turn()
    assert desk.mara.tried == ["1-mara"]
    clock.go(0.8)
    desk.turn()
    assert desk.mara.got == ["1-mara", "2-mara", "3-mara"]
    assert desk.stored("1-mara").attempts == 2
    assert desk.outbox.failures == 1


def test_tries_come_at_growing_pauses_with_jitter(desk: Desk, clock: HandClock) -> None:
    desk.mara.unreachable = BUSY
    desk.add("1-mara")
    pauses = []
    for _ in range(12):
        desk.turn()
        pauses.append((desk.stored("1-mara").next_try - clock.utc) / SECOND)
        clock.set_wall(desk.stored("1-mara").next_try)
    for attempt, pause in enumerate(pauses):
        wanted = min(LONGEST_PAUSE_S, 2.0**attempt)
        assert 0.8 * wanted <= pause <= 1.2 * wanted
    assert len({round(pause / min(300.0, 2.0**n), 3) for n, pause in enumerate(pauses)}) > 5
    assert desk.stored("1-mara").last_error == "the line is busy"
    assert desk.stored("1-mara").state == "pending"


def test_pauses_are_real_time_on_a_faster_clock(tmp_path: Path) -> None:
    clock = HandClock(speed=60.0)
    desk = Desk(tmp_path, clock)
    desk.mara.unreachable = BUSY
    desk.add("1-mara")
    pause = desk.turn()
    assert 0.8 <= pause <= 1.2
    assert 48 <= (desk.stored("1-mara").next_try - clock.utc) / SECOND <= 72
    desk.close()


def test_a_clock_set_back_delays_no_try(desk: Desk, clock: HandClock) -> None:
    desk.mara.troubles = [BUSY]
    desk.add("1-mara")
    desk.turn()
    clock.set_wall(NOON - 3600 * SECOND)
    assert desk.turn() <= 1.2
    clock.go(1.2)
    desk.turn()
    assert desk.mara.got == ["1-mara"]


def test_a_board_that_wakes_up_in_the_past_delivers_what_waited(
    desk: Desk, clock: HandClock
) -> None:
    desk.mara.unreachable = BUSY
    desk.add("1-mara")
    desk.turn()
    desk.mara.unreachable = None
    clock.set_wall(0)
    desk.outbox = desk.made()
    clock.go(1.2)
    desk.turn()
    assert desk.mara.got == ["1-mara"]


# --- who cannot be reached -------------------------------------------------------------------


def test_a_person_out_of_reach_is_told_of_and_told_of_again_when_back(
    desk: Desk, clock: HandClock
) -> None:
    desk.mara.unreachable = BUSY
    desk.add("1-mara")
    for attempt in range(ALARM_AFTER_ATTEMPTS):
        assert desk.sentences == []
        desk.turn()
        clock.go(1.2 * 2**attempt)
    assert desk.sentences == ["mara cannot be reached: the line is busy"]
    desk.mara.unreachable = None
    desk.turn()
    assert desk.mara.got == ["1-mara"]
    assert desk.sentences[-1] is None


def test_two_persons_out_of_reach_are_both_named(desk: Desk, clock: HandClock) -> None:
    desk.mara.unreachable = desk.odd.unreachable = BUSY
    desk.add("1-mara", "1-odd")
    for attempt in range(ALARM_AFTER_ATTEMPTS):
        desk.turn()
        clock.go(1.2 * 2**attempt)
    assert desk.sentences[-1] == (
        "mara cannot be reached: the line is busy; odd cannot be reached: the line is busy"
    )
    desk.mara.unreachable = None
    desk.turn()
    assert desk.sentences[-1] == "odd cannot be reached: the line is busy"


def test_a_notice_that_fails_alone_holds_no_other_for_long(desk: Desk, clock: HandClock) -> None:
    desk.mara.refused["1-mara"] = BUSY
    desk.add("1-mara", "2-mara", "3-mara")
    passed = 0.0
    while desk.mara.got != ["2-mara", "3-mara"]:
        desk.turn()
        clock.go(0.5)
        passed += 0.5
        assert passed < 20
    assert passed > 5
    assert desk.stored("1-mara").state == "pending"
    assert desk.sentences[0] == "mara cannot be reached: the line is busy"


def test_a_new_notice_to_a_person_long_out_of_reach_is_tried_at_once(
    desk: Desk, clock: HandClock
) -> None:
    desk.mara.unreachable = BUSY
    desk.add("1-mara")
    for attempt in range(9):
        desk.turn()
        clock.go(1.2 * 2**attempt)
    desk.turn()
    assert (desk.stored("1-mara").next_try - clock.utc) / SECOND > 200
    desk.mara.unreachable = None
    desk.add("2-mara")
    desk.turn()
    assert desk.mara.got == ["2-mara"]


def test_after_a_restart_who_was_out_of_reach_still_is(desk: Desk, clock: HandClock) -> None:
    desk.mara.unreachable = BUSY
    desk.add("1-mara")
    for attempt in range(ALARM_AFTER_ATTEMPTS):
        desk.turn()
        clock.go(1.2 * 2**attempt)
    desk.sentences.clear()
    desk.outbox = desk.made()
    desk.turn()
    assert desk.sentences == ["mara cannot be reached: the line is busy"]


def test_what_can_never_be_delivered_is_given_up_and_told(desk: Desk) -> None:
    desk.mara.troubles = [PermanentError("the address is refused")]
    desk.add("1-mara", "2-mara")
    desk.turn()
    given_up = desk.stored("1-mara")
    assert (given_up.state, given_up.attempts) == ("given-up", 1)
    assert given_up.last_error == "the address is refused"
    assert desk.mara.got == ["2-mara"]
    assert desk.sentences == ["notice 1-mara was given up: the address is refused", None]
    assert desk.outbox.given_up == 1


def test_a_recipient_that_is_no_longer_configured(desk: Desk) -> None:
    desk.add("1-former", "1-mara")
    desk.turn()
    assert desk.stored("1-former").state == "given-up"
    assert desk.sentences == [
        "notice 1-former was given up: recipient 'former' is no longer configured"
    ]
    assert desk.mara.got == ["1-mara"]


def test_an_error_that_nobody_thought_of_is_tried_again(desk: Desk, clock: HandClock) -> None:
    desk.mara.troubles = [ZeroDivisionError("division by zero")]
    desk.add("1-mara", "1-odd")
    desk.turn()
    assert desk.odd.got == ["1-odd"]
    assert "ZeroDivisionError" in desk.stored("1-mara").last_error
    clock.go(1.2)
    desk.turn()
    assert desk.mara.got == ["1-mara"]


# --- trouble with the file -------------------------------------------------------------------


class TornStore:
    """`ports.OutboxStore` on another; marking fails so many times."""

    def __init__(self, store: OutboxStore, *troubles: BaseException) -> None:
        self._store = store
        self._troubles = list(troubles)

    def due(self, now: int, limit: int) -> list[Notice]:
        return list(self._store.due(now, limit))

    def next_due(self) -> int | None:
        return self._store.next_due()

    def delivered(self, notice_id: str, time: int) -> None:
        if self._troubles:
            raise self._troubles.pop(0)
        self._store.delivered(notice_id, time)

    def failed(self, notice_id: str, error: str, next_try: int | None) -> None:
        self._store.failed(notice_id, error, next_try)

    def close(self) -> None:
        self._store.close()


def test_a_loss_of_power_between_sending_and_marking_sends_the_same_id_again(desk: Desk) -> None:
    class PowerCutError(BaseException):
        """The process ends here."""

    desk.add("1-mara", "2-mara")
    desk.store = TornStore(desk.store, PowerCutError())
    with pytest.raises(PowerCutError):
        desk.turn()
    assert desk.mara.got == ["1-mara"]
    assert desk.stored("1-mara").state == "pending"
    desk.outbox = desk.made()
    desk.turn()
    assert desk.mara.got == ["1-mara", "1-mara", "2-mara"]
    assert desk.stored("1-mara").attempts == 1


@pytest.mark.parametrize(
    "trouble", [TransientError("busy"), PermanentError("read-only"), RuntimeError("a mistake")]
)
def test_a_mark_that_fails_means_sent_again(desk: Desk, trouble: Exception) -> None:
    desk.add("1-mara", "2-mara")
    desk.store = TornStore(desk.store, trouble)
    assert desk.turn() == STORE_PAUSE_S
    assert desk.mara.got == ["1-mara"]
    assert desk.outbox.failures == 1
    desk.turn()
    assert desk.mara.got == ["1-mara", "1-mara", "2-mara"]
    assert desk.outbox.delivered == 2


def test_a_file_that_another_program_writes_is_waited_for(desk: Desk) -> None:
    desk.add("1-mara")
    store = SqliteOutbox(desk.path)
    store._connection.execute("PRAGMA busy_timeout = 20")  # ten seconds are long in a test
    with closing(sqlite3.connect(desk.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        assert desk.outbox.turn_once(store) == STORE_PAUSE_S
        other.execute("ROLLBACK")
    assert desk.outbox.turn_once(store) == 60.0
    assert desk.stored("1-mara").state == "delivered"
    store.close()


# --- the thread ------------------------------------------------------------------------------


def test_its_thread_delivers_on_a_wake_and_ends_when_asked(tmp_path: Path) -> None:
    desk = Desk(tmp_path, SystemClock())
    thread = threading.Thread(target=desk.outbox.run)
    thread.start()
    for seq in (1, 2, 3):
        desk.add(f"{seq}-mara")
        desk.outbox.wake()
        until(lambda seq=seq: desk.outbox.delivered == seq)  # type: ignore[misc]
    desk.outbox.stop()
    thread.join(5)
    assert not thread.is_alive()
    assert desk.mara.got == ["1-mara", "2-mara", "3-mara"]
    assert (desk.mara.closed, desk.odd.closed) == (1, 1)
    desk.close()


def test_stopped_before_it_begins_it_closes_what_it_was_given(desk: Desk) -> None:
    desk.add("1-mara")
    desk.outbox.stop()
    desk.outbox.run()
    assert desk.mara.tried == []
    assert (desk.mara.closed, desk.odd.closed) == (1, 1)


def test_a_stop_ends_after_the_delivery_under_way(desk: Desk) -> None:
    desk.add("1-mara", "2-mara", "1-odd")
    desk.mara.after = desk.outbox.stop
    desk.outbox.run()
    assert desk.mara.got + desk.odd.got == ["1-mara"]
    assert desk.stored("1-mara").state == "delivered"
    assert desk.stored("2-mara").state == "pending"


def test_a_file_that_cannot_be_opened_yet_is_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("weirwatch.pipeline.outbox.STORE_PAUSE_S", 0.02)
    desk = Desk(tmp_path, SystemClock())
    desk.add("1-mara")
    tries = [PermanentError("it belongs to another user"), TransientError("busy"), OSError("odd")]

    def opened() -> OutboxStore:
        if tries:
            raise tries.pop(0)
        return SqliteOutbox(desk.path)

    timekeeper = Timekeeper(desk.clock, None)
    outbox = Outbox(opened, {"mara": desk.mara}, desk.clock, timekeeper, desk.sentences.append)
    thread = threading.Thread(target=outbox.run)
    thread.start()
    until(lambda: desk.mara.got == ["1-mara"] and outbox.delivered == 1)
    outbox.stop()
    thread.join(5)
    assert outbox.failures == 3
    desk.close()
