"""After a loss of power: every alarm is what it was, pending delays start again."""

from collections.abc import Sequence
from dataclasses import replace

import pytest
from domain.engine_run import EngineRun
from support.bench_engine import book, channel, rule, seen, told

from weirwatch.domain.alarm import Alarm, AlarmState, ServiceState
from weirwatch.domain.book import Book, rule_mark
from weirwatch.domain.engine import decide_reading, start
from weirwatch.domain.instant import micros
from weirwatch.domain.reading import Channel
from weirwatch.domain.refill import refill
from weirwatch.domain.restore import Resumed, resume
from weirwatch.domain.rule import Absolute, BadMeasurement, Duty, Rule, Side


def silent(on: float = 0) -> Rule:
    return rule("silent", BadMeasurement(silent=True), kind="bad-measurement", on=on)


def started(made: Book) -> EngineRun:
    run = EngineRun(made, 0)
    run.reading(seen([(0, 1)])[0])
    return run


def test_silence_that_was_pending_at_the_stop_is_told_after_it() -> None:
    run = started(book([silent(on=30)], [channel(every=5)]))
    run.advance(micros(20))  # silent since 15: the on-delay runs until 45
    run.restart(micros(25))
    run.advance(micros(200))
    assert told(run.events) == [(25 + 15 + 30, "raised", "unacknowledged", True)]


def test_silence_that_stood_stands_on_and_is_not_told_again() -> None:
    run = started(book([silent()], [channel(every=5)]))
    run.advance(micros(20))
    run.restart(micros(25))
    run.advance(micros(200))
    assert told(run.events) == [(15, "raised", "unacknowledged", True)]
    run.reading(seen([(200, 1)])[0])
    assert told(run.events)[1:] == [(200, "returned", "returned-unacknowledged", False)]


def after(
    stored: Alarm, made: Book, *, mark: str | None = None, others: Sequence[Alarm] = ()
) -> Resumed:
    alarms = {alarm.rule: alarm for alarm in (stored, *others)}
    marks = {} if mark is None else {stored.rule: mark}
    return resume(alarms, marks, made, micros(100))


STANDING = Alarm("high", AlarmState.ACKNOWLEDGED, present=True, raised_at=1, value=11.0)


def test_every_alarm_is_what_it_was() -> None:
    made = book([rule()], [channel()])
    resumed = after(STANDING, made, mark=rule_mark(made.entries["high"].rule))
    assert resumed.alarms == {"high": STANDING}
    assert (resumed.changed, resumed.closed, resumed.events) == ({}, (), ())


def test_an_edited_rule_is_judged_anew_and_says_so_if_its_alarm_is_not_normal() -> None:
    made = book([rule()], [channel()])
    resumed = after(STANDING, made, mark="another limit")
    assert resumed.alarms["high"].present is False
    assert resumed.alarms["high"].state is AlarmState.ACKNOWLEDGED
    assert [(e.kind, e.from_state, e.to_state, e.value) for e in resumed.events] == [
        ("limits-changed", "acknowledged", "acknowledged", 11.0)
    ]
    assert after(Alarm("high"), made, mark="another limit").events == ()


def test_an_edited_rule_returns_or_stands_by_the_next_reading() -> None:
    made = book([rule()], [channel()])
    for value, kinds in ((11.0, []), (5.0, ["returned"])):
        resumed = after(STANDING, made, mark="another limit")
        state = start(dict(resumed.alarms), {}, made, micros(100), link_up=True)
        reading = seen([(101, value)])[0]
        decision = decide_reading(state, reading, reading.time, made)
        assert [e.kind for e in decision.events] == kinds


def test_a_deleted_rule_is_closed_on_record() -> None:
    resumed = after(STANDING, book([rule("other")], [channel()]))
    assert resumed.closed == ("high",)
    assert resumed.alarms == {}
    assert [(e.kind, e.to_state) for e in resumed.events] == [("rule-deleted", "normal")]


def test_suppression_follows_the_rules_of_this_run() -> None:
    pair = [rule("cause"), rule("high", on=30, hold_off=60, suppressed_by=("cause",))]
    made = book(pair, [channel()])
    cause = replace(STANDING, rule="cause")
    resumed = after(Alarm("high"), made, others=[cause])
    assert resumed.alarms["high"].service_state is ServiceState.SUPPRESSED_BY_DESIGN
    suppressed = Alarm("high", service_state=ServiceState.SUPPRESSED_BY_DESIGN)
    resumed = after(suppressed, made)  # its cause is gone with the old rules
    assert resumed.alarms["high"].causes_gone_at == micros(100)


LEAK = Absolute(Side.HIGH, 1.0)


def pending(made: Book, value: float = 1.0) -> EngineRun:
    """A condition that showed at 10 s and whose on-delay of 30 s was running at the stop."""
    run = EngineRun(made, 0)
    run.advance(micros(10))
    run.reading(seen([(10, value)])[0])
    run.advance(micros(20))
    return run


def test_a_contact_that_reports_on_change_only_need_not_report_again_to_be_raised() -> None:
    run = pending(book([rule(condition=LEAK, on=30, off=5)], [channel(quantity="switch")]))
    run.restart(micros(100))
    run.advance(micros(129))
    assert told(run.events) == []
    run.advance(micros(200))
    assert told(run.events) == [(130, "raised", "unacknowledged", True)]


def test_it_does_not_return_without_a_fresh_reading() -> None:
    run = pending(book([rule(condition=LEAK, off=30)], [channel(quantity="switch")]))
    run.advance(micros(30))
    run.reading(seen([(30, 0.0)])[0])  # the off-delay runs until 60
    run.restart(micros(40))
    run.advance(micros(200))
    assert [kind for _, kind, _, _ in told(run.events)] == ["raised"]


def test_what_came_dry_again_before_the_delay_ended_is_not_raised() -> None:
    run = pending(book([rule(condition=LEAK, on=30)], [channel(quantity="switch")]))
    run.restart(micros(100))
    run.advance(micros(120))
    run.reading(seen([(120, 0.0)])[0])
    run.advance(micros(200))
    assert told(run.events) == []


def test_a_bold_failure_that_was_pending_is_raised_though_its_probe_stays_away() -> None:
    run = pending(book([rule(condition=LEAK, on=30, bold=True)], [channel(every=5)]))
    run.restart(micros(100))
    run.advance(micros(200))
    assert told(run.events) == [(130, "raised", "unacknowledged", True)]
    assert "measurement lost" in run.events[0].message


@pytest.mark.parametrize("probe", [channel(every=5), channel()])
def test_any_other_that_was_pending_waits_for_its_probe(probe: Channel) -> None:
    run = pending(book([rule(condition=LEAK, on=30)], [probe]))
    run.restart(micros(100))
    run.advance(micros(150))
    run.reading(seen([(150, 1.0)])[0])
    run.advance(micros(155))
    for second in range(155, 200, 5):
        run.advance(micros(second))
        run.reading(seen([(second, 1.0)])[0])
    assert told(run.events) == [(180, "raised", "unacknowledged", True)]


def test_a_new_rule_on_a_contact_that_reports_on_change_only_is_judged_by_its_last_word() -> None:
    made = book(
        [rule(condition=LEAK, on=30), rule("dry", Absolute(Side.LOW, 0.5))],
        [channel(quantity="switch")],
    )
    run = EngineRun(made, 0)
    run.advance(micros(10))
    run.reading(seen([(10, 1.0)])[0])
    run.state.alarms["high"] = Alarm("high")  # as if the rule had not been there
    run.restart(micros(100))
    run.advance(micros(200))
    assert told(run.events) == [(130, "raised", "unacknowledged", True)]


def test_a_duty_that_was_pending_goes_on_with_a_switch_that_says_nothing() -> None:
    duty = rule(condition=Duty(micros(1000), on_for=micros(10)), kind="duty", on=30)
    run = pending(book([duty], [channel(quantity="switch")]))
    run.advance(micros(25))  # on for 10 s at 20
    run.restart(micros(100))
    run.advance(micros(200))
    assert told(run.events) == [(130, "raised", "unacknowledged", True)]


def test_a_switch_left_on_for_longer_than_is_looked_back_is_on_after_a_start() -> None:
    duty = rule(condition=Duty(micros(100), on_for=micros(60)), kind="duty", on=30)
    run = pending(book([duty], [channel(quantity="switch")]))
    run.readings.clear()  # on record, but long before the span that is read again
    observed = dict(run.state.observed)
    run.state = start({}, observed, run.book, micros(900), link_up=True)
    refill(run.state, run.book, [])
    run.advance(micros(2000))
    assert [kind for _, kind, _, _ in told(run.events)] == ["raised"]
