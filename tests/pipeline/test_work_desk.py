"""Planned work through the real engine: what it silences, how it ends, what outlives a restart."""

from typing import Any
from zoneinfo import ZoneInfo

import pytest

from weirwatch.domain.alarm import Event
from weirwatch.domain.book import make_ready
from weirwatch.domain.engine import CommandGiven, adopt, decide, decide_reading, due, start
from weirwatch.domain.errors import ConfigError, IllegalCommand, TransientError, UnknownWork
from weirwatch.domain.instant import SECOND, Micros, to_rfc3339
from weirwatch.domain.operator import Command
from weirwatch.domain.planned_work import NOT_ENDED, PlannedWork
from weirwatch.domain.reading import Channel, Reading
from weirwatch.domain.rule import (
    Absolute,
    BuiltIn,
    ChannelBeyond,
    Rule,
    RuleBook,
    Side,
    SwitchIs,
)
from weirwatch.domain.state import Decision
from weirwatch.pipeline.work_desk import (
    KEY,
    WorkDesk,
    WorkRequest,
    answer_of,
    kept_by_desk,
    request_from,
)

FLOW = Channel("h/n/flow", "flow", "L/h", silent_after=900 * SECOND)
WET = Channel("h/n/wet", "switch")
STOPPED = Rule("stopped", "Stopped", "absolute", Absolute(Side.LOW, 1500.0), "x", FLOW.id)
REDUCED = Rule("reduced", "Reduced", "absolute", Absolute(Side.LOW, 5000.0), "x", FLOW.id)
LEAK = Rule("leak", "Leak", "absolute", SwitchIs(True), "floor-leak", WET.id, bold=True)
ENDED = Rule(NOT_ENDED, "Not ended", "system", BuiltIn(), NOT_ENDED)
RULES = {rule.id: rule for rule in (STOPPED, REDUCED, LEAK, ENDED)}
PAUSE = PlannedWork(
    "pause",
    "Feeding pause",
    600 * SECOND,
    120 * SECOND,
    ("stopped", "reduced"),
    (ChannelBeyond(FLOW.id, Side.HIGH, 4500.0),),
    720 * 60 * SECOND,
    frozenset({FLOW.id}),
)


class House:
    """The engine and the desk, without threads; times are seconds."""

    def __init__(self, kept: dict[str, str] | None = None, alarms: Any = None) -> None:
        self.book = make_ready(RuleBook(RULES, {FLOW.id: FLOW, WET.id: WET}, ZoneInfo("UTC")))
        self.state = start(dict(alarms or {}), {}, self.book, 0, link_up=True)
        self.events: list[Event] = []
        self.kept: dict[str, str] = dict(kept or {})
        self.desk = WorkDesk({"pause": PAUSE}, self.book, self.state, self, dict(self.kept))

    # what `Record` asks for
    def decision(self, decision: Decision) -> None:
        self.events += decision.events

    def event(self, event: Event) -> None:
        self.events.append(event)

    def keep(self, key: str, text: str | None) -> None:
        if text is None:
            self.kept.pop(key, None)
        else:
            self.kept[key] = text

    def at(self, seconds: float) -> Micros:
        """Let time pass."""
        now = round(seconds * SECOND)
        for stimulus in due(self.state, self.book, now):
            self._adopt(decide(self.state, stimulus, self.book))
        self.desk.pass_time(now)
        return now

    def _adopt(self, decision: Decision) -> None:
        adopt(self.state, decision, self.book)
        self.decision(decision)

    def reads(self, seconds: float, value: float, channel: Channel = FLOW) -> None:
        now = self.at(seconds)
        self._adopt(decide_reading(self.state, Reading(channel.id, now, value), now, self.book))

    def commands(self, seconds: float, command: Command) -> None:
        now = self.at(seconds)
        self._adopt(decide(self.state, CommandGiven(command, now), self.book))

    def asks(self, seconds: float, name: str, **more: Any) -> dict[str, Any]:
        request = WorkRequest(name, "pause", "mk", **more)
        self.desk.take(request, self.at(seconds))
        self.desk.committed()
        return request.answer.result(0)

    def loud(self) -> list[str]:
        return [event.rule for event in self.events if event.annunciated]

    def kinds(self) -> list[str]:
        return [event.kind for event in self.events if event.kind.startswith("planned-work")]

    def shelved(self) -> list[str]:
        return [r for r, a in self.state.alarms.items() if a.service_state == "shelved"]


def test_a_probe_is_in_its_cup_from_the_start_of_its_work_to_its_end() -> None:
    house = House()
    house.asks(10, "start")
    at = {second: house.desk.calibrates(FLOW.id, second * SECOND) for second in (9, 10, 500)}
    assert at == {9: False, 10: True, 500: True}
    assert not house.desk.calibrates(WET.id, 10 * SECOND)
    assert house.asks(20, "list")["items"][0]["calibrates"] == [FLOW.id]
    again = House(house.kept)  # it outlives a restart
    assert again.desk.calibrates(FLOW.id, 30 * SECOND)
    again.at(610)
    assert not again.desk.calibrates(FLOW.id, 610 * SECOND)


def test_a_feeding_pause_rings_for_nothing_and_is_found_in_order() -> None:
    house = House()
    house.reads(0, 6000)
    found = house.asks(10, "start", comment="mysis")
    assert found | {"state": "under-way", "shelved": ["reduced", "stopped"], "who": "mk"} == found
    assert found["ends_at"] == to_rfc3339(610 * SECOND)
    house.reads(20, 0)
    house.reads(620, 200)  # just started: the pipes fill
    assert house.desk.as_json("pause")["state"] == "settling"
    house.reads(700, 6000)
    house.at(730)
    assert house.loud() == []
    assert house.shelved() == []
    assert house.kinds() == ["planned-work-started", "planned-work-ended", "planned-work-checked"]
    assert house.desk.as_json("pause")["state"] == "idle"
    assert house.kept == {}
    house.reads(800, 0)
    assert house.loud() == ["stopped", "reduced"]


def test_a_pump_that_nobody_started_again_is_told_and_cleared_when_it_runs() -> None:
    house = House()
    house.reads(0, 6000)
    house.asks(0, "start")
    house.reads(10, 0)
    house.at(719)
    assert house.loud() == []
    house.at(720)
    assert sorted(house.loud()) == [NOT_ENDED, "reduced", "stopped"]
    alarm = house.state.alarms[NOT_ENDED]
    assert alarm.message == "Feeding pause has ended, but Flow is 0 L/h, expected above 4500 L/h"
    assert house.desk.as_json("pause")["state"] == "not-back-to-normal"
    house.reads(800, 6000)
    house.at(805)
    assert house.state.alarms[NOT_ENDED].state == "returned-unacknowledged"
    assert house.kinds()[-1] == "planned-work-checked"


def test_a_bold_failure_is_never_among_them() -> None:
    house = House()
    house.asks(0, "start")
    house.reads(1, 1, WET)
    assert house.loud() == ["leak"]


def test_ended_by_hand_its_alarms_come_back_when_it_has_settled() -> None:
    house = House()
    house.reads(0, 6000)
    house.asks(0, "start")
    found = house.asks(60, "end")
    assert (found["state"], found["check_at"]) == ("settling", to_rfc3339(180 * SECOND))
    assert {house.state.alarms[r].shelved_until for r in PAUSE.rules} == {180 * SECOND}
    with pytest.raises(IllegalCommand, match="not under way"):
        house.asks(61, "end")
    house.at(181)
    assert house.shelved() == []
    assert house.desk.as_json("pause")["state"] == "idle"


def test_started_again_it_takes_longer() -> None:
    house = House()
    house.asks(0, "start")
    found = house.asks(590, "start", minutes=5)
    assert (found["started_at"], found["ends_at"]) == (to_rfc3339(0), to_rfc3339(890 * SECOND))
    assert {house.state.alarms[r].shelved_until for r in PAUSE.rules} == {1010 * SECOND}
    assert house.kinds() == ["planned-work-started", "planned-work-extended"]


def test_what_somebody_else_silenced_stays_as_it_is() -> None:
    house = House()
    house.commands(0, Command("shelve", "stopped", "x", minutes=300))
    house.commands(0, Command("remove-from-service", "reduced", "x", "new probe"))
    assert house.asks(1, "start")["shelved"] == []
    house.asks(2, "end")
    house.at(1000)
    assert house.state.alarms["stopped"].shelved_until == 18_000 * SECOND
    assert house.state.alarms["reduced"].service_state == "out-of-service"


def test_it_goes_on_after_a_restart_and_ends_meanwhile() -> None:
    before = House()
    before.reads(0, 6000)
    before.asks(0, "start")
    same = House(before.kept, before.state.alarms)
    same.at(30)
    assert same.desk.as_json("pause") == before.desk.as_json("pause")
    late = House(before.kept, before.state.alarms)
    late.at(5000)
    assert late.kinds() == ["planned-work-ended"]
    assert late.desk.as_json("pause")["check_at"] == to_rfc3339(5120 * SECOND)
    late.at(5120)  # not one reading since the start
    assert late.loud() == [NOT_ENDED]
    again = House(late.kept, late.state.alarms)
    again.at(5125)
    assert again.loud() == []  # already announced
    again.reads(5130, 6000)
    again.at(5135)
    assert again.state.alarms[NOT_ENDED].state == "returned-unacknowledged"


def test_a_start_looks_at_once_at_what_was_not_back_to_normal() -> None:
    before = House()
    before.reads(0, 6000)
    before.asks(0, "start")
    before.reads(10, 0)
    before.at(600)
    before.at(720)  # the next look would be at 725
    before.reads(721, 6000)
    again = House(before.kept, before.state.alarms)
    again.state.observed.update(before.state.observed)
    assert again.state.alarms[NOT_ENDED].state == "unacknowledged"
    again.at(722)
    assert again.state.alarms[NOT_ENDED].state == "returned-unacknowledged"


def test_what_settled_while_the_service_was_away_is_checked_when_readings_are_back() -> None:
    before = House()
    before.reads(0, 6000)
    before.asks(0, "start")
    before.asks(10, "end")  # to be checked at 130
    late = House(before.kept, before.state.alarms)
    late.at(5000)  # the newest reading is old: nothing can be told from it
    assert late.loud() == []
    late.reads(5010, 6000)
    late.reads(5110, 6000)
    late.at(5120)
    assert late.kinds() == ["planned-work-checked"]


def test_work_that_is_no_longer_configured_is_forgotten() -> None:
    house = House({f"{KEY}gone": "{}"})
    assert house.kept == {}
    mine, rest = kept_by_desk({f"{KEY}pause": "a", "sump-high": "b"})
    assert (mine, rest) == ({f"{KEY}pause": "a"}, {"sump-high": "b"})


def test_what_cannot_be_is_refused_and_changes_nothing() -> None:
    house = House()
    with pytest.raises(IllegalCommand, match="at most 718"):
        house.asks(0, "start", minutes=720)
    request = WorkRequest("start", "paus", "mk")
    house.desk.take(request, 0)
    with pytest.raises(UnknownWork, match="'paus': there is pause"):
        request.answer.result(0)
    assert (house.events, house.kept) == ([], {})


@pytest.mark.parametrize(
    "data",
    [
        None,
        {"name": "stop"},
        {"name": "start", "work": 3},
        {"name": "start", "work": "x" * 3000},
        {"name": "start", "work": "x", "minutes": "10"},
        {"name": "start", "work": "x", "minutes": float("nan")},
        {"name": "start", "work": "x", "minutes": True},
        {"name": "start", "work": "x", "minutes": 0},
    ],
)
def test_a_request_that_is_none_is_wrong_use(data: Any) -> None:
    with pytest.raises(ConfigError):
        request_from(data)


def test_a_loop_that_does_not_come_to_it_is_told() -> None:
    with pytest.raises(TransientError, match="not durable yet"):
        answer_of(WorkRequest("list"), lambda _: None, 0.01)
