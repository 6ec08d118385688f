"""Rules tried on the past: stored readings in order, and a sweep against chattering."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from support.web_harbour import FLOW, HIGH, LEVEL, NOON, SILENT, Harbour

from weirwatch.domain.book import make_ready
from weirwatch.domain.errors import UnknownRule
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Channel, Reading
from weirwatch.domain.rule import (
    Absolute,
    AlarmStands,
    BuiltIn,
    ChannelIs,
    Deviation,
    Rule,
    RuleBook,
    Side,
    SwitchIs,
)
from weirwatch.pipeline.backtest import (
    channels_of,
    episodes_of,
    stored_readings,
    sweep,
    sweep_json,
    with_causes,
)
from weirwatch.pipeline.replay import Refusal, replay, replay_in_order

UTC = ZoneInfo("UTC")
TANK = Channel("h/n/level", "level", "mm")
TOO_HIGH = Rule("high", "High", "absolute", Absolute(Side.HIGH, 310.0), "sump-high", TANK.id)
MAINS = Rule("mains", "Mains", "system", BuiltIn(), "mains-lost")


def levels(values: list[float], every_s: int = 5, start: Micros = 0) -> list[Reading]:
    return [Reading(TANK.id, start + n * every_s * SECOND, v) for n, v in enumerate(values)]


def noisy_crossing() -> list[Reading]:
    """A level that swings ± 2 mm about its limit for two minutes, then stands above it."""
    return levels([300.0] * 12 + [312.0, 308.0] * 12 + [320.0] * 24 + [300.0] * 12)


class Swept:
    """A sweep as data, its settings by deadband and on-delay."""

    def __init__(self, rule: Rule, readings: list[Reading]) -> None:
        span = (readings[0].time, readings[-1].time)
        rules = {r.id: r for r in (rule, MAINS)}
        data = sweep_json(sweep(rule.id, rules, {TANK.id: TANK}, readings, span, UTC), "mm")
        self.proposal: Any = data["proposal"]
        self.episodes: int = data["episodes"]
        self.tried: dict[tuple[float | None, float], dict[str, Any]] = {
            (t["deadband"], t["on_delay_s"]): t for t in data["tried"]
        }


def test_a_noisy_crossing_chatters_without_a_deadband_and_not_with_twice_its_noise() -> None:
    found = Swept(TOO_HIGH, noisy_crossing())
    bare = found.tried[(0.0, 0.0)]
    # 12 rises of 310 within two minutes, and the one that stays: counted by hand.
    assert (bare["annunciations"], bare["late_mean_s"], bare["missed"]) == (13, 0.0, 0)
    assert bare["chattering"] >= 1
    assert found.episodes == 1
    # It swings by 4 mm: 308 is above 310 − 4, so the first rise stands through all of it.
    assert found.tried[(4.0, 0.0)]["annunciations"] == 1
    assert (found.proposal["deadband"], found.proposal["on_delay_s"]) == (4.0, 0.0)


def test_a_delay_stops_it_too_and_costs_detection_time() -> None:
    found = Swept(TOO_HIGH, noisy_crossing())
    # Above without a break only from 180 s on; it first showed at 60 s.
    assert found.tried[(0.0, 30.0)]["annunciations"] == 1
    assert found.tried[(0.0, 30.0)]["late_mean_s"] == 180 + 30 - 60
    assert (
        found.tried[(0.0, 300.0)] | {"annunciations": 0, "missed": 1} == found.tried[(0.0, 300.0)]
    )


def test_switches_have_delays_only() -> None:
    pump = Rule("off", "Off", "absolute", SwitchIs(True), "x", TANK.id)
    found = Swept(pump, levels([0, 1, 1, 1, 0, 0]))
    assert {deadband for deadband, _ in found.tried} == {None}
    assert (found.proposal["deadband"], found.proposal["on_delay_s"]) == (None, 0.0)


def test_nothing_on_record_sounds_nothing() -> None:
    found = sweep("high", {"high": TOO_HIGH}, {TANK.id: TANK}, [], (0, 10), UTC)
    assert (found.episodes, found.current.annunciations) == (0, 0)


def test_what_never_showed_proposes_nothing() -> None:
    found = Swept(TOO_HIGH, levels([300, 301, 300, 302]))
    assert found.episodes == 0
    assert found.proposal is None


def test_episodes_are_ten_minutes_apart() -> None:
    assert episodes_of([0, 599 * SECOND, 1199 * SECOND, 1300 * SECOND]) == [
        (0, 599 * SECOND),
        (1199 * SECOND, 1300 * SECOND),
    ]


def test_a_rule_brings_what_decides_over_it() -> None:
    twin = Rule("twin", "T", "deviation", Deviation(1, twin="h/n/b"), "x", "h/n/a",
                while_=(ChannelIs("h/n/pump", True), AlarmStands("high")),
                suppressed_by=("mains",))  # fmt: skip
    rules = {rule.id: rule for rule in (twin, TOO_HIGH, MAINS)}
    involved = with_causes("twin", rules)
    assert {rule.id for rule in involved} == {"twin", "high", "mains"}
    assert channels_of(involved) == {"h/n/a", "h/n/b", "h/n/pump", "h/n/level"}
    with pytest.raises(UnknownRule):
        with_causes("nonsense", rules)


def test_readings_in_order_give_what_a_file_gives() -> None:
    book = make_ready(RuleBook({"high": TOO_HIGH}, {TANK.id: TANK}, UTC))
    readings = noisy_crossing()
    ordered = list(replay_in_order(book, readings, readings[0].time, readings[-1].time))
    from_file = list(replay(book, readings, [], None))
    assert ordered == from_file
    assert ordered
    assert not any(isinstance(found, Refusal) for found in from_file)


@pytest.fixture
def harbour(tmp_path: Path) -> Iterator[Harbour]:
    made = Harbour(tmp_path)
    yield made
    made.close()


def test_stored_readings_come_in_time_order_over_the_channels(harbour: Harbour) -> None:
    harbour.add_readings(LEVEL, {NOON + n * 2 * SECOND: float(n) for n in range(12_000)})
    harbour.add_readings(FLOW, {NOON + (n * 2 + 1) * SECOND: float(n) for n in range(10)})
    wanted = [LEVEL.id, FLOW.id, SILENT.id]
    found = list(stored_readings(harbour.archive, wanted, NOON, NOON + 24_000 * SECOND))
    assert len(found) == 12_010  # more than one page
    assert [r.time for r in found] == sorted(r.time for r in found)
    assert {r.channel for r in found[:20]} == {LEVEL.id, FLOW.id}
    assert list(stored_readings(harbour.archive, [HIGH.id], NOON, NOON + SECOND)) == []
