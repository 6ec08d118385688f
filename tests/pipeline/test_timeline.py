"""Which rules count for which fault of a timeline, and what each fault's end is called."""

from dataclasses import replace

import pytest

from weirwatch.domain.alarm import Event
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Channel
from weirwatch.domain.rule import (
    Absolute,
    BadMeasurement,
    BuiltIn,
    Condition,
    Deviation,
    Rule,
    Side,
)
from weirwatch.pipeline.drill import Outcome
from weirwatch.pipeline.plant_source import HarmBegins
from weirwatch.pipeline.timeline import (
    AFTER_REPAIR,
    FaultResult,
    Finding,
    TimelineFault,
    TimelineResult,
    judge_timeline,
    telling_failures,
    telling_rules,
    usual_expectation,
)

T0: Micros = 1_780_000_000 * SECOND
PUMP = TimelineFault(
    number=1,
    fault="return-pump-stopped",
    says="the return pump stands",
    targets=(),
    strikes="",
    begins=T0 + 100 * SECOND,
    repaired=None,
    told_by=frozenset({"return-pump-stopped"}),
    expect="told",
)


def bell(rule: str, at_s: float, *, told: bool = True, to: str = "unacknowledged") -> Event:
    time = T0 + round(at_s * SECOND)
    return Event(time, "raised", rule, to_state=to, annunciated=told, message=f"{rule} at {at_s}")


def judged(
    events: list[Event],
    *faults: TimelineFault,
    harm_s: float | None = None,
    telling: frozenset[str] = frozenset({"pump"}),
) -> TimelineResult:
    outcome = Outcome("", T0, T0, T0 + 9000 * SECOND, events=events)
    harm = None if harm_s is None else HarmBegins(T0 + round(harm_s * SECOND), "wet", "practice")
    return judge_timeline(
        outcome,
        faults,
        {fault.number: telling for fault in faults},
        {fault.number: harm for fault in faults},
        min(fault.begins for fault in faults),
    )


def only(result: TimelineResult) -> FaultResult:
    (found,) = result.faults
    return found


def test_told_before_harm_is_detected_and_has_a_margin() -> None:
    found = only(judged([bell("pump", 160)], PUMP, harm_s=400))
    assert (found.finding, found.first_alarm) == (Finding.DETECTED, "pump")
    assert (found.detected_s, found.harm_s, found.margin_s) == (60.0, 300.0, 240.0)


def test_told_after_harm_is_late() -> None:
    result = judged([bell("pump", 500)], PUMP, harm_s=400)
    assert (only(result).finding, result.passed) == (Finding.LATE, False)


def test_what_sounded_before_it_began_does_not_count_and_is_a_false_alarm() -> None:
    result = judged([bell("pump", 99, to="unacknowledged"), bell("pump", 99.5, told=False,
                     to="normal")], PUMP)  # fmt: skip
    assert (only(result).finding, result.passed) == (Finding.MISSED, False)
    (alarm,) = result.sounded
    assert (alarm.rule, alarm.false, alarm.during) == ("pump", True, ())


def test_an_alarm_of_another_rule_is_told_beside_with_what_stood() -> None:
    result = judged([bell("pump", 160), bell("floor", 170)], PUMP)
    (alarm,) = result.sounded
    assert (alarm.rule, alarm.false, alarm.during) == ("floor", False, (1,))


def test_an_alarm_that_was_told_and_still_stands_is_not_missed() -> None:
    before = replace(PUMP, number=2, begins=T0 + 50 * SECOND)
    result = judged([bell("pump", 60)], PUMP, before)
    second = next(found for found in result.faults if found.fault.number == 1)
    assert (second.finding, second.first_alarm) == (Finding.STOOD, "pump")
    assert result.passed


def test_an_alarm_that_stood_before_anything_was_wrong_has_told_nothing() -> None:
    """A limit on the wrong side stands for ever: it would pass for every fault."""
    result = judged([bell("pump", -900)], PUMP)
    assert (only(result).finding, result.passed) == (Finding.MISSED, False)
    (alarm,) = result.sounded
    assert alarm.false


@pytest.mark.parametrize("to", ["normal", "returned-unacknowledged", "latched-unacknowledged"])
def test_an_alarm_that_has_returned_stands_no_more(to: str) -> None:
    events = [bell("pump", 60), bell("pump", 80, told=False, to=to)]
    assert only(judged(events, PUMP)).finding is Finding.MISSED


def test_an_alarm_that_stands_untold_does_not_count() -> None:
    assert only(judged([bell("pump", 60, told=False)], PUMP)).finding is Finding.MISSED


def test_after_the_repair_only_the_aftermath_counts() -> None:
    mended = replace(PUMP, repaired=PUMP.begins + 60 * SECOND)
    last_s = 160 + AFTER_REPAIR / SECOND
    assert only(judged([bell("pump", last_s)], mended)).finding is Finding.DETECTED
    late = judged([bell("pump", last_s + 1)], mended)
    assert only(late).finding is Finding.MISSED
    assert only(late).judged_s == last_s - 100
    assert [alarm.during for alarm in late.sounded] == [()]


def test_quiet_was_wanted() -> None:
    quiet = replace(PUMP, expect="quiet")
    assert only(judged([], quiet)).finding is Finding.QUIET
    loud = judged([bell("pump", 160)], quiet)
    assert (only(loud).finding, loud.passed) == (Finding.UNWANTED, False)


def test_either_is_right_when_either_is_allowed() -> None:
    either = replace(PUMP, expect="either")
    for events in ([], [bell("pump", 160)]):
        assert judged(events, either, harm_s=120).passed


def rule(rule_id: str, channel: str | None, failure: str, condition: Condition) -> Rule:
    return Rule(rule_id, rule_id, "absolute", condition, failure, channel)


HIGH, SILENT = Absolute(Side.HIGH, 1.0), BadMeasurement(silent=True)
CHANNELS = {
    channel.id: channel
    for channel in (
        Channel("h/hall/north-level", "level", "mm", vessel="north"),
        Channel("h/hall/south-level", "level", "mm", vessel="south"),
        Channel("h/sump/level", "level", "mm", vessel="sump"),
        Channel("h/sump/uv-flow", "flow", "L/h"),
        Channel("h/sump/refuge-flow", "flow", "L/h"),
        Channel("h/sump/loops-flow", "flow", "L/h"),
    )
}
RULES = (
    rule("north", "h/hall/north-level", "overflow-blocked", HIGH),
    rule("south", "h/hall/south-level", "overflow-blocked", HIGH),
    rule("sump", "h/sump/level", "overflow-blocked", HIGH),
    rule("uv", "h/sump/uv-flow", "side-loop-flow-lost", HIGH),
    rule("refuge", "h/sump/refuge-flow", "side-loop-flow-lost", HIGH),
    rule("loops", "h/sump/loops-flow", "side-loop-flow-lost", HIGH),
    rule("silent-north", "h/hall/north-level", "probe-silent", SILENT),
    rule("silent-sump", "h/sump/level", "probe-silent", SILENT),
    rule("twins", "h/hall/north-level", "probe-drift", Deviation(5.0, twin="h/hall/south-level")),
    rule("node-offline/hall", None, "node-offline", BuiltIn()),
    rule("node-offline/sump", None, "node-offline", BuiltIn()),
)


@pytest.mark.parametrize(
    ("fault", "strikes", "target", "others", "told_by"),
    [
        ("overflow-blocked", "vessel", "north", ("south",), {"north", "sump"}),
        ("side-loop-flow-lost", "loop", "uv", ("refuge",), {"uv", "loops"}),
        ("probe-silent", "channel", "h/sump/level", (), {"silent-sump"}),
        ("probe-drift", "channel", "h/hall/south-level", (), {"twins"}),
        ("node-offline", "node", "sump", (), {"node-offline/sump"}),
        ("node-rebooting", "node", "hall", (), {"node-offline/hall", "silent-north"}),
    ],
)
def test_rules_that_watch_another_one_do_not_count(
    fault: str, strikes: str, target: str, others: tuple[str, ...], told_by: set[str]
) -> None:
    struck = replace(
        PUMP, fault=fault, strikes=strikes, targets=(target,), told_by=telling_failures(fault)
    )
    assert telling_rules(struck, RULES, CHANNELS, others) == told_by


def test_what_is_expected_when_nothing_is_said() -> None:
    assert usual_expectation("floor-leak") == usual_expectation("siphon-break-blocked") == "told"
    for fault in ("probe-bubble", "node-doubling", "probe-in-cup", "mains-restored"):
        assert usual_expectation(fault) == "either"
    assert telling_failures("mains-restored") >= {"mains-restored", "circuit-lost"}
    assert telling_failures("siphon-break-blocked") == {"sump-high"}
