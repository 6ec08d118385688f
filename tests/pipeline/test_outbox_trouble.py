"""The outbox when its file or the power fails, and its thread."""

import sqlite3
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from pathlib import Path

import pytest
from support.outbox_desk import Desk

from weirwatch.clock import SystemClock
from weirwatch.domain.errors import PermanentError, TransientError
from weirwatch.pipeline.outbox import STORE_PAUSE_S, Outbox
from weirwatch.pipeline.timekeeper import Timekeeper
from weirwatch.ports import Notice, OutboxStore
from weirwatch.store.sqlite_outbox import SqliteOutbox


def until(what: Callable[[], bool], seconds: float = 60.0) -> None:
    ends = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < ends, "not in time"
        time.sleep(0.005)


# --- trouble with the file -------------------------------------------------------------------


class TornStore:
    """`ports.OutboxStore` on another; so many marks fail."""

    def __init__(self, store: OutboxStore, *troubles: BaseException) -> None:
        self._store = store
        self._troubles = list(troubles)

    def due(self, now: int, limit: int) -> list[Notice]:
        return list(self._store.due(now, limit))

    def next_due(self) -> int | None:
        return self._store.next_due()

    def delivered(self, notice_id: str, time: int) -> None:
        self._fail()
        self._store.delivered(notice_id, time)

    def _fail(self) -> None:
        if self._troubles:
            raise self._troubles.pop(0)

    def failed(self, notice_id: str, error: str, next_try: int | None) -> None:
        self._fail()
        self._store.failed(notice_id, error, next_try)

    def due_to(self, recipient: str, now: int, limit: int) -> list[Notice]:
        return list(self._store.due_to(recipient, now, limit))

    def waits(self, rule: str) -> bool:
        return self._store.waits(rule)

    def expired(self, notice_id: str, reason: str) -> None:
        self._store.expired(notice_id, reason)

    def postponed(self, notice_ids: Sequence[str], next_try: int) -> None:
        self._store.postponed(notice_ids, next_try)

    def fold(self, notice_ids: Sequence[str], into: Notice) -> None:
        self._store.fold(notice_ids, into)

    def pending(self) -> int:
        return self._store.pending()

    def dead_letters(self) -> int:
        return self._store.dead_letters()

    def tested(self) -> Mapping[str, int]:
        return self._store.tested()

    def first_event_at(self) -> int | None:
        return self._store.first_event_at()

    def last_event_at(self, kind: str) -> int | None:
        return self._store.last_event_at(kind)

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
def test_a_mark_that_fails_is_made_later_and_nothing_is_sent_twice(
    desk: Desk, trouble: Exception
) -> None:
    desk.add("1-mara", "2-mara")
    desk.store = TornStore(desk.store, trouble)
    assert desk.turn() == STORE_PAUSE_S
    assert desk.mara.got == ["1-mara"]
    assert desk.outbox.failures == 1
    assert desk.turn() == 60.0
    assert desk.mara.got == ["1-mara", "2-mara"]
    assert desk.outbox.delivered == 2
    assert desk.stored("1-mara").state == desk.stored("2-mara").state == "delivered"


def test_a_file_that_takes_no_marks_repeats_nothing_and_holds_up_nobody(desk: Desk) -> None:
    desk.add("1-mara", "1-odd", "2-mara", "2-odd", "3-mara")
    desk.mara.refused["2-mara"] = PermanentError("no such address")
    desk.mara.refused["3-mara"] = TransientError("no answer")
    desk.store = TornStore(desk.store, *[TransientError("the disk is full")] * 10)
    for _ in range(10):
        assert desk.turn() == STORE_PAUSE_S
    assert desk.mara.tried == ["1-mara", "2-mara", "3-mara"]
    assert desk.odd.tried == ["1-odd", "2-odd"]
    assert desk.turn() < STORE_PAUSE_S  # the file takes them again; 3-mara is next
    states = {name: desk.stored(name).state for name in ("1-mara", "2-mara", "1-odd", "2-odd")}
    assert states == {**dict.fromkeys(states, "delivered"), "2-mara": "given-up"}


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
    thread.join(60)
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
    thread.join(60)
    assert outbox.failures == 3
    desk.close()
