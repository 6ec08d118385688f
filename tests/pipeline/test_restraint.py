"""What the outbox holds back: repeats that are no longer news, and too many for one person."""

from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from support.bench_engine import rule
from support.outbox_desk import Person
from support.still_clock import NOON, HandClock

from weirwatch.domain.alarm import Alarm, AlarmState, ServiceState
from weirwatch.domain.calls import Why
from weirwatch.domain.errors import PermanentError, TransientError
from weirwatch.domain.instant import SECOND
from weirwatch.domain.rule import Priority
from weirwatch.pipeline.notice_text import fold_text
from weirwatch.pipeline.outbox import Outbox
from weirwatch.pipeline.restraint import Restraint
from weirwatch.pipeline.timekeeper import Timekeeper
from weirwatch.ports import Group, Notice
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal
from weirwatch.store.sqlite_outbox import SqliteOutbox

MINUTE = 60 * SECOND
RULES = {
    "low": rule("low", priority=Priority.LOW),
    "high": rule("high", priority=Priority.HIGH),
    "critical": rule("critical", priority=Priority.CRITICAL),
    "bold": rule("bold", priority=Priority.MEDIUM, bold=True),
}
AWAY = TransientError("no answer")


def folded(notices: list[Notice], now: int) -> Notice:
    first, last = notices[0], notices[-1]
    payload = {"why": Why.FOLD.value, "notices": [notice.id for notice in notices]}
    text = fold_text(notices, None)
    return Notice(f"{first.id}-fold", last.event_seq, first.recipient, now, text, payload)


class World:
    """One person, `most` notices in ten minutes, on a real file."""

    def __init__(self, folder: Path, most: int = 5) -> None:
        self.path, self.clock, self.most = folder / FILE_NAME, HandClock(), most
        self.journal = SqliteJournal(self.path)
        self.mara = Person()
        self.told: list[str | None] = []
        self.seq = 0
        self.restart()

    def restart(self) -> None:
        restraint = Restraint(RULES, {"mara": self.most}, 60 * MINUTE, folded)  # type: ignore[arg-type]
        self.outbox = Outbox(
            lambda: SqliteOutbox(self.path), {"mara": self.mara}, self.clock,
            Timekeeper(self.clock, None), self.told.append, restraint,
        )  # fmt: skip

    def add(self, count: int = 1, name: str = "low", why: Why = Why.CALL) -> list[str]:
        """Commit notices of one rule; return their ids."""
        made = []
        for _ in range(count):
            self.seq += 1
            ident, now = f"{self.seq}-mara", self.clock.now().utc
            facts = {"why": why.value, "alarm": {"id": name}}
            text = f"{name} number {self.seq}\nmore"
            made.append(Notice(ident, self.seq, "mara", now, text, facts, next_try=now))
        self.journal.commit(Group(notices=made))
        return [notice.id for notice in made]

    def alarm(self, name: str, state: AlarmState, service: ServiceState) -> None:
        self.journal.commit(Group(alarms={name: Alarm(name, state, service)}))

    def turn(self) -> float:
        with closing(SqliteOutbox(self.path)) as store:
            return self.outbox.turn_once(store)

    def states(self) -> dict[str, Notice]:
        with closing(SqliteArchive(self.path)) as archive:
            return {notice.id: notice for _, notice in archive.notices(0, 1000)}


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Callable[..., World]]:
    made: list[World] = []

    def make(**more: int) -> World:
        made.append(World(tmp_path, **more))
        made[-1].journal.adopt([], list(RULES.values()))
        return made[-1]

    yield make
    for world in made:
        world.journal.close()


Make = Callable[..., World]


# --- too many for one person -----------------------------------------------------------------


def test_beyond_the_limit_they_go_out_in_one_counted_and_on_record(make: Make) -> None:
    world = make()
    ids = world.add(30)
    world.turn()
    assert world.mara.got == [*ids[:4], f"{ids[4]}-fold"]
    shown = world.states()
    assert {shown[i].state for i in ids[:4]} == {"delivered"}
    assert {shown[i].state for i in ids[4:]} == {"folded"}
    assert {shown[i].last_error for i in ids[4:]} == {f"told in {ids[4]}-fold"}
    one = shown[f"{ids[4]}-fold"]
    assert one.state == "delivered"
    assert one.payload["notices"] == ids[4:]
    lines = one.text.split("\n")
    assert lines[0].startswith("26 NOTICES IN ONE")
    assert lines[1:] == [f"low number {n}" for n in range(5, 31)]
    assert world.outbox.as_json() == {
        "delivered": 5, "failures": 0, "given_up": 0, "expired": 0, "folded": 26, "postponed": 0,
        "waiting": 0, "dead_letters": 0,
    }  # fmt: skip


def test_up_to_the_limit_each_goes_singly(make: Make) -> None:
    world = make()
    ids = world.add(5)
    world.turn()
    assert world.mara.got == ids


def test_without_room_they_wait_and_go_when_there_is_some(make: Make) -> None:
    world = make()
    first = world.add(5)
    world.turn()
    later = world.add(3)
    assert world.turn() == 60.0
    assert world.mara.got == first
    assert {world.states()[i].attempts for i in later} == {0}
    assert (world.outbox.postponed, world.outbox.waiting) == (3, 3)
    world.clock.go(599)
    world.turn()
    assert world.mara.got == first
    world.clock.go(1)
    world.turn()
    assert world.mara.got == [*first, *later]


@pytest.mark.parametrize("name", ["critical", "bold", "high"])
def test_what_must_be_heard_goes_singly_and_overtakes(make: Make, name: str) -> None:
    world = make()
    world.add(30)
    world.turn()
    world.add(60)
    urgent = world.add(60, name)
    world.turn()
    assert world.mara.got[5:] == urgent


@pytest.mark.parametrize("why", [Why.REPEAT, Why.RETURNED])
def test_repeats_and_returns_of_high_alarms_are_limited(make: Make, why: Why) -> None:
    world = make()
    world.alarm("high", AlarmState.UNACKNOWLEDGED, ServiceState.IN_SERVICE)
    world.add(10, "high", why)
    world.turn()
    assert len(world.mara.got) == 5
    assert world.outbox.folded == 6


def test_digests_tests_and_people_without_a_limit_are_not_held_back(make: Make) -> None:
    world = make()
    world.add(8, why=Why.DIGEST)
    world.add(8, why=Why.TEST)
    world.turn()
    assert len(world.mara.got) == 16
    world.most = 0
    world.outbox._restraint.most = {}  # type: ignore[union-attr]
    world.add(30)
    world.turn()
    assert len(world.mara.got) == 46


def test_in_order_also_when_the_first_fails(make: Make) -> None:
    world = make()
    world.mara.troubles = [AWAY]
    ids = world.add(8)
    world.turn()
    assert world.mara.got == []
    world.clock.go(2)
    world.turn()
    assert world.mara.got == [*ids[:4], f"{ids[4]}-fold"]
    assert world.mara.tried[0] == ids[0]


def test_ended_between_fold_and_send_nothing_is_lost_or_told_twice(make: Make) -> None:
    class PowerCutError(BaseException):
        """The process ends here."""

    world = make()
    ids = world.add(9)
    world.mara.refused[f"{ids[4]}-fold"] = PowerCutError()  # type: ignore[assignment]
    with pytest.raises(PowerCutError):
        world.turn()
    world.mara.refused.clear()
    world.restart()
    world.turn()
    assert world.mara.got == [*ids[:4], f"{ids[4]}-fold"]
    assert "pending" not in {notice.state for notice in world.states().values()}


# --- no longer news --------------------------------------------------------------------------


def test_an_answered_repeat_is_not_sent(make: Make) -> None:
    world = make()
    world.alarm("high", AlarmState.ACKNOWLEDGED, ServiceState.IN_SERVICE)
    (repeat,) = world.add(1, "high", Why.REPEAT)
    world.turn()
    assert world.mara.got == []
    assert world.states()[repeat].state == "expired"
    assert "somebody has answered" in world.states()[repeat].last_error
    assert world.outbox.expired == 1


def test_a_repeat_of_a_shelved_alarm_is_not_sent(make: Make) -> None:
    world = make()
    world.alarm("high", AlarmState.UNACKNOWLEDGED, ServiceState.SHELVED)
    world.add(1, "high", Why.REPEAT)
    world.turn()
    assert world.mara.got == []


def test_old_repeats_expire_first_words_and_returns_never_do(make: Make) -> None:
    world = make(most=50)
    world.alarm("high", AlarmState.UNACKNOWLEDGED, ServiceState.IN_SERVICE)
    call = world.add(1, "high")
    old = world.add(3, "high", Why.REPEAT)
    kept = [*world.add(1, "high", Why.NEXT), *world.add(1, "high", Why.CHECK_IN)]
    kept += world.add(1, "low", Why.RETURNED)
    world.clock.go(59 * 60)
    young = world.add(1, "high", Why.REPEAT)
    world.clock.go(2 * 60)
    world.turn()
    assert world.mara.got == [*call, *kept, *young]
    assert {world.states()[i].last_error for i in old} == {
        "not sent: a repeat that could not be delivered for 60 minutes"
    }


def test_away_for_a_day_the_repeats_of_a_day_do_not_come_at_once(make: Make) -> None:
    world = make()
    world.alarm("high", AlarmState.UNACKNOWLEDGED, ServiceState.IN_SERVICE)
    world.mara.unreachable = AWAY
    call = world.add(1, "high")
    repeats = []
    for _ in range(24):
        world.clock.go(3600)
        repeats += world.add(1, "high", Why.REPEAT)
        world.turn()
    assert any(told and "mara cannot be reached" in told for told in world.told)
    world.mara.unreachable = None
    for _ in range(3):
        world.clock.go(310)
        world.turn()
    assert world.mara.got == [*call, repeats[-1]] or world.mara.got == [repeats[-1], *call]
    assert world.outbox.expired == 23
    assert world.told[-1] is None
    assert world.clock.utc > NOON + 24 * 3600 * SECOND


# --- dead letters ----------------------------------------------------------------------------


def test_dead_letters_are_counted_over_restarts(make: Make) -> None:
    world = make()
    world.mara.troubles = [PermanentError("refused"), PermanentError("refused")]
    world.add(3)
    world.turn()
    assert world.outbox.as_json()["dead_letters"] == 2
    world.restart()
    store = world.outbox._opened()
    assert store is not None
    store.close()
    assert world.outbox.as_json()["dead_letters"] == 2
    assert world.outbox.as_json()["given_up"] == 0
