"""Why an alarm is in its state, for every reason there is."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from support.web_harbour import HIGH, LEVEL, NOON, WET, Harbour, raised

from weirwatch.domain.alarm import Event, ServiceState
from weirwatch.domain.book import Book, make_ready
from weirwatch.domain.engine import (
    CommandGiven,
    ConditionObserved,
    adopt,
    decide,
    decide_reading,
    due,
    start,
)
from weirwatch.domain.errors import UnknownRule
from weirwatch.domain.instant import SECOND
from weirwatch.domain.operator import Command
from weirwatch.domain.reading import Channel, Quality, Reading
from weirwatch.domain.rule import (
    Absolute,
    AlarmStands,
    Between,
    BuiltIn,
    ChannelBeyond,
    ChannelIs,
    Rule,
    RuleBook,
    Side,
    SwitchIs,
)
from weirwatch.domain.state import EngineState
from weirwatch.pipeline.explain import explain, with_record

TANK = Channel("hh/n/level", "level", "mm", silent_after=15 * SECOND)
PUMP = Channel("hh/n/pump", "switch")
CAUSE = Rule("mains", "Mains", "system", BuiltIn(), "mains-lost")
RULE = Rule(
    "high",
    "Level high",
    "absolute",
    Absolute(Side.HIGH, 310.0, 10.0),
    "sump-high",
    channel=TANK.id,
    while_=(
        ChannelIs(PUMP.id, True),
        ChannelBeyond(TANK.id, Side.LOW, 999.0),
        Between(0, 24 * 60 - 1),
    ),
    on_delay=30 * SECOND,
    off_delay=60 * SECOND,
    suppressed_by=("mains",),
    hold_off=120 * SECOND,
)
PLAIN = Rule("pump-off", "Pump off", "absolute", SwitchIs(False), "x", PUMP.id)
ALSO = Rule("also", "Also", "absolute", SwitchIs(True), "x", PUMP.id, (AlarmStands("mains"),))


class Engine:
    """A book under way; times are seconds after noon."""

    def __init__(self) -> None:
        rules = {rule.id: rule for rule in (RULE, CAUSE, PLAIN, ALSO)}
        zone = ZoneInfo("UTC")
        self.book: Book = make_ready(RuleBook(rules, {TANK.id: TANK, PUMP.id: PUMP}, zone))
        self.state: EngineState = start({}, {}, self.book, NOON, link_up=True)

    def _settle(self, at: float) -> int:
        now = NOON + round(at * SECOND)
        for stimulus in due(self.state, self.book, now):
            adopt(self.state, decide(self.state, stimulus, self.book), self.book)
        return now

    def reads(self, at: float, channel: Channel, value: float, q: Quality = Quality.GOOD) -> None:
        now = self._settle(at)
        reading = Reading(channel.id, now, value, q, "" if q is Quality.GOOD else "warming up")
        adopt(self.state, decide_reading(self.state, reading, now, self.book), self.book)

    def does(self, at: float, what: Any) -> None:
        now = self._settle(at)
        adopt(self.state, decide(self.state, what(now), self.book), self.book)

    def why(self, at: float, rule: str = "high") -> dict[str, Any]:
        return explain(self.state, self.book, rule, self._settle(at))


@pytest.fixture
def engine() -> Engine:
    made = Engine()
    made.reads(0, PUMP, 1.0)
    return made


def test_a_delay_that_runs_says_how_long(engine: Engine) -> None:
    engine.reads(1, TANK, 312.0)
    found = engine.why(11)
    assert (found["state"], found["present"]) == ("normal", True)
    assert found["delay"] | {"kind": "on-delay", "left_s": 20.0} == found["delay"]
    assert found["measurement"] | {"value": 312.0, "age_s": 10.0} == found["measurement"]
    assert (found["limit"], found["deadband"], found["unit"]) == (310.0, 10.0, "mm")
    assert "The on-delay runs: it raises in 20 s if nothing changes." in found["why"]
    assert "The newest reading is 312 mm; limit 310 mm; the condition is present." in found["why"]
    engine.reads(12, TANK, 312.0)
    engine.reads(25, TANK, 312.0)
    assert engine.why(31)["why"][0] == "The alarm stands, and nobody has acknowledged it."
    engine.reads(32, TANK, 299.0)
    assert (
        engine.why(42)["delay"] | {"kind": "off-delay", "left_s": 50.0} == engine.why(42)["delay"]
    )


def test_a_failing_while_is_named(engine: Engine) -> None:
    engine.reads(1, TANK, 312.0)
    engine.reads(2, PUMP, 0.0)
    found = engine.why(3)
    assert [term["holds"] for term in found["while"]] == [False, True, True]
    assert found["while"][1]["term"] == "hh/n/level below 999 mm"
    assert found["while"][2]["term"] == "between 00:00 and 23:59"
    assert (
        "The condition counts as absent, since this does not hold: hh/n/pump is on." in found["why"]
    )
    assert engine.why(3, "also")["while"] == [{"term": "alarm mains stands", "holds": False}]


def test_what_suppresses_and_the_hold_off_left(engine: Engine) -> None:
    engine.does(1, lambda now: ConditionObserved("mains", "gone", now))
    found = engine.why(2)
    assert found["service_state"] == "suppressed-by-design"
    assert (
        found["suppression"]["causes"][0] | {"rule": "mains", "stands": True}
        == (found["suppression"]["causes"][0])
    )
    assert "It is suppressed by design while mains stands." in found["why"]
    engine.does(10, lambda now: ConditionObserved("mains", None, now))
    found = engine.why(40)
    assert found["suppression"]["hold_off_left_s"] == 90.0
    assert "Its cause has returned; the hold-off runs 90 s more." in found["why"]
    assert engine.why(40, "mains")["why"][1] == (
        "The condition, which the service itself observes, is absent."
    )


def test_silence_and_doubt_are_told(engine: Engine) -> None:
    unread = Engine().why(1, "pump-off")["why"][1]
    assert unread == "No reading has come yet; limit off; the condition counts as absent."
    engine.reads(1, TANK, 250.0)
    engine.reads(2, TANK, 251.0, Quality.UNCERTAIN)
    assert "Only good readings raise or clear." in engine.why(3)["why"]
    assert "Its channel has been silent for 20 s." in engine.why(22)["why"]
    engine.reads(23, TANK, 312.0)
    found = engine.why(60)  # the count was void: no reading for longer than silent_after
    assert found["delay"] is None
    assert "Its delay does not run: it starts again at the next good reading." in found["why"]


def test_switches_read_as_words(engine: Engine) -> None:
    assert (
        "The newest reading is on; limit off; the condition is absent."
        in (engine.why(1, "pump-off")["why"])
    )


def test_shelving_says_until_when(engine: Engine) -> None:
    engine.does(1, lambda now: CommandGiven(Command("shelve", "high", "mk", minutes=5), now))
    found = engine.why(2)
    assert (
        found["service"] | {"state": "shelved", "until": "2026-05-01T12:05:01Z"}
        == (found["service"])
    )
    assert found["why"][-1] == "It is shelved until 2026-05-01T12:05:01Z: it is not announced."


def test_asking_changes_nothing(engine: Engine) -> None:
    engine.reads(1, TANK, 312.0)
    before = (dict(engine.state.alarms), dict(engine.state.observed))
    for rule in engine.book.entries:
        engine.why(5, rule)
    assert (engine.state.alarms, engine.state.observed) == before
    with pytest.raises(UnknownRule, match="nonsense"):
        engine.why(5, "nonsense")


@pytest.fixture
def harbour(tmp_path: Path) -> Iterator[Harbour]:
    made = Harbour(tmp_path)
    yield made
    made.close()


def test_the_record_adds_readings_events_and_who(harbour: Harbour) -> None:
    harbour.add_readings(LEVEL, {NOON - n * 5 * SECOND: 300.0 + n for n in range(1, 9)})
    shelved = Event(NOON, "shelved", HIGH.id, service_from="in-service", service_to="shelved",
                    who="mk", comment="water change")  # fmt: skip
    harbour.add_events(raised(), shelved, *(raised(n) for n in range(1500)), raised())
    rules = {rule.id: rule for rule in (HIGH, WET)}
    channels = {channel.id: channel for channel in harbour.settings.channels}
    book = make_ready(RuleBook(rules, channels, ZoneInfo("UTC")))
    state = start({}, {}, book, NOON, link_up=True)
    shelve = CommandGiven(Command("shelve", HIGH.id, "mk", minutes=5), NOON)
    adopt(state, decide(state, shelve, book), book)
    found = with_record(explain(state, book, HIGH.id, NOON), harbour.archive)
    assert [reading["value"] for reading in found["readings"]] == [301, 302, 303, 304, 305]
    assert [event["seq"] for event in found["events"]] == [1503, 1502, 1501, 1500, 1499]
    assert found["service"]["state"] == ServiceState.SHELVED.value
    wet = with_record(explain(state, book, WET.id, NOON), harbour.archive)
    assert (wet["readings"], wet["events"], wet["service"]["who"]) == ([], [], None)
    harbour.add_events(shelved)
    found = with_record(explain(state, book, HIGH.id, NOON), harbour.archive)
    assert (found["service"]["who"], found["service"]["comment"]) == ("mk", "water change")
