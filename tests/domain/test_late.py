"""Readings that arrive long after their own time, and nodes whose clock is off."""

import pytest
from domain.engine_run import EngineRun
from support.bench_engine import LEVEL, book, channel, command, rule, seen, told

from weirwatch.domain.engine import next_call
from weirwatch.domain.instant import micros
from weirwatch.domain.reading import Channel, Quality, Reading
from weirwatch.domain.rule import Absolute as Limit
from weirwatch.domain.rule import (
    AlarmStands,
    BadMeasurement,
    Between,
    BuiltIn,
    ChannelIs,
    Discrepancy,
    Duty,
    Rule,
    Side,
)

FLOAT = "hall/node/float"
OTHER = "hall/other/pump"
LEAK = Limit(Side.HIGH, 0.5)


def contact(ident: str) -> Channel:
    return Channel(ident, "switch")


def arriving(run: EngineRun, at: float, *readings: Reading) -> None:
    run.advance(micros(at))
    for reading in readings:
        run.reading(reading)


def at(ident: str, second: float, value: float) -> Reading:
    return Reading(ident, micros(second), value)


def test_what_rose_and_returned_in_a_backlog_tells_nobody_even_in_two_batches() -> None:
    run = EngineRun(book([rule("wet", LEAK, on=30, on_channel=FLOAT)], [contact(FLOAT)]), 0)
    arriving(run, 2000, at(FLOAT, 900, 1))
    run.advance(micros(2001))  # between two batches its deadline, 930, is long past
    assert told(run.events) == [(930, "raised", "unacknowledged", False)]
    assert run.events[0].late
    arriving(run, 2002, at(FLOAT, 960, 0))
    run.advance(micros(3000))
    assert told(run.events)[1:] == [(960, "returned", "normal", False)]


def test_what_still_stands_after_the_backlog_is_told_within_ten_seconds() -> None:
    run = EngineRun(book([rule("wet", LEAK, on=30, on_channel=FLOAT)], [contact(FLOAT)]), 0)
    arriving(run, 2000, at(FLOAT, 900, 1))
    run.advance(micros(2000))
    run.advance(micros(3000))
    assert told(run.events) == [
        (930, "raised", "unacknowledged", False),
        (2010, "announced", "unacknowledged", True),
    ]


def test_a_bold_failure_in_a_backlog_is_told_at_once() -> None:
    bold = rule("wet", LEAK, on=30, on_channel=FLOAT, bold=True, failure="floor-leak")
    run = EngineRun(book([bold], [contact(FLOAT)]), 0)
    arriving(run, 2000, at(FLOAT, 900, 1))
    run.advance(micros(2001))
    assert told(run.events) == [(930, "raised", "unacknowledged", True)]


def silent(*while_: AlarmStands | ChannelIs, on: float = 0) -> Rule:
    return rule("silent", BadMeasurement(silent=True), kind="bad-measurement", while_=while_, on=on)


def test_late_news_of_another_node_does_not_end_a_silence() -> None:
    made = book([silent(ChannelIs(OTHER, True))], [channel(every=5), contact(OTHER)])
    run = EngineRun(made, micros(100))
    arriving(run, 100, at(LEVEL, 100, 1), at(OTHER, 100, 1))
    arriving(run, 150, at(OTHER, 110, 1))  # 40 s behind: not even late
    run.advance(micros(200))
    assert told(run.events) == [(115, "raised", "unacknowledged", True)]
    arriving(run, 2000, at(OTHER, 112, 1))
    assert len(run.events) == 1


def test_a_silence_ends_when_it_is_heard_again_not_at_the_readings_own_time() -> None:
    run = EngineRun(book([silent()], [channel(every=5)]), micros(100))
    arriving(run, 100, at(LEVEL, 100, 1))
    arriving(run, 300, at(LEVEL, 105, 1))
    assert told(run.events) == [
        (115, "raised", "unacknowledged", True),
        (300, "returned", "returned-unacknowledged", False),
    ]


def test_the_delay_of_a_silence_runs_by_the_services_clock() -> None:
    run = EngineRun(book([silent(on=20)], [channel(every=5)]), micros(100))
    arriving(run, 100, at(LEVEL, 60, 1))  # a clock 40 s behind
    run.advance(micros(135))
    assert told(run.events) == [(135, "raised", "unacknowledged", True)]


def test_a_late_while_counts_from_when_both_are_known() -> None:
    high = rule("high", Limit(Side.HIGH, 10.0), on=30, while_=(ChannelIs(OTHER, True),))
    run = EngineRun(book([high], [channel(every=5), contact(OTHER)]), 0)
    for second in range(1980, 2000, 5):
        arriving(run, second, at(LEVEL, second, 11))
    arriving(run, 2000, at(OTHER, 900, 1))  # it was on since 900, says its backlog
    for second in range(2000, 2040, 5):
        arriving(run, second, at(LEVEL, second, 11))
    assert told(run.events)[0][:2] == (1995 + 30, "raised")


def test_uncertain_readings_in_a_backlog_change_nothing() -> None:
    run = EngineRun(book([rule("wet", LEAK, on_channel=FLOAT)], [contact(FLOAT)]), 0)
    doubtful = seen([(900, 1)], FLOAT, Quality.UNCERTAIN)
    arriving(run, 2000, *doubtful)
    run.advance(micros(3000))
    assert run.events == []


def test_a_deadline_comes_sooner_when_readings_arrive_with_less_delay() -> None:
    run = EngineRun(book([rule("wet", LEAK, on=30, on_channel=FLOAT)], [contact(FLOAT)]), 0)
    arriving(run, 150, at(FLOAT, 100, 1))  # 50 s behind: its deadline 130 comes at 180
    arriving(run, 155, at(FLOAT, 120, 1))  # 35 s behind: at 165
    assert next_call(run.state) == micros(165)
    run.advance(micros(165))
    assert told(run.events) == [(130, "raised", "unacknowledged", True)]


def test_a_held_raise_is_told_as_soon_as_the_backlog_has_caught_up() -> None:
    run = EngineRun(book([rule()], [channel()]), 0)
    arriving(run, 2000, at(LEVEL, 900, 11))
    arriving(run, 2003, at(LEVEL, 1990, 11))
    assert told(run.events) == [
        (900, "raised", "unacknowledged", False),
        (1990, "announced", "unacknowledged", True),
    ]


def test_a_held_raise_that_is_acknowledged_is_told_no_more() -> None:
    run = EngineRun(book([rule()], [channel()]), 0)
    arriving(run, 2000, at(LEVEL, 900, 11))
    run.command(command(2001, "acknowledge")[1])
    run.advance(micros(3000))
    assert [e.annunciated for e in run.events] == [False, False]


def test_a_raise_inside_a_backlog_is_not_told_while_the_backlog_comes_in() -> None:
    run = EngineRun(book([rule("wet", LEAK, on=30, on_channel=FLOAT)], [contact(FLOAT)]), 0)
    arriving(run, 2000, at(FLOAT, 900, 1))
    run.advance(micros(2001))
    arriving(run, 2002, at(FLOAT, 960, 1))  # late too, and still wet
    assert [e.annunciated for e in run.events] == [False]
    arriving(run, 2005, at(FLOAT, 2005, 1))  # it has caught up
    assert told(run.events)[1:] == [(2005, "announced", "unacknowledged", True)]


@pytest.mark.parametrize("on", [0, 30])
@pytest.mark.parametrize(("beyond", "late"), [(0, False), (1, True)])
def test_late_is_what_arrives_more_than_a_minute_after_its_own_time(
    on: float, beyond: int, late: bool
) -> None:
    run = EngineRun(book([rule(on=on)], [channel()]), 0)
    run.now = micros(160) + beyond
    run.reading(at(LEVEL, 100, 11))
    run.advance(micros(190) + beyond)
    assert run.events[0].time == micros(100 + on)
    assert (run.events[0].late, run.events[0].annunciated) == (late, not late)


def test_in_a_backlog_too_the_deadline_comes_before_the_reading_of_the_same_instant() -> None:
    run = EngineRun(book([rule(on=30, bold=True)], [channel()]), 0)
    arriving(run, 2000, at(LEVEL, 100, 11), at(LEVEL, 130, 5))
    assert told(run.events) == [
        (130, "raised", "unacknowledged", True),
        (130, "returned", "returned-unacknowledged", False),
    ]


def test_a_reading_that_is_history_only_holds_no_deadline_up() -> None:
    run = EngineRun(book([rule("wet", LEAK, on=30, on_channel=FLOAT)], [contact(FLOAT)]), 0)
    arriving(run, 100, at(FLOAT, 100, 1))
    arriving(run, 125, at(FLOAT, 100, 1))  # delivered once more
    run.advance(micros(130))
    assert told(run.events) == [(130, "raised", "unacknowledged", True)]


def test_what_one_rule_starts_in_a_backlog_ends_in_it_too() -> None:
    rules = [
        rule("high", on=10),
        rule("long", Limit(Side.HIGH, 5.0), on=20, while_=(AlarmStands("high"),)),
    ]
    run = EngineRun(book(rules, [channel()]), 0)
    arriving(run, 2000, at(LEVEL, 900, 11), at(LEVEL, 940, 1))
    assert [(e.rule, e.time // micros(1), e.kind) for e in run.events] == [
        ("high", 910, "raised"),
        ("long", 930, "raised"),
        ("high", 940, "returned"),
        ("long", 940, "returned"),
    ]


def test_a_late_alarm_begins_no_delay_before_what_its_watchers_channel_said() -> None:
    rules = [
        rule("wet", LEAK, on_channel=FLOAT),
        rule("high", Limit(Side.HIGH, 10.0), on=30, while_=(AlarmStands("wet"),)),
    ]
    run = EngineRun(book(rules, [channel(every=5), contact(FLOAT)]), 0)
    for second in range(1980, 2000, 5):
        arriving(run, second, at(LEVEL, second, 11))
    arriving(run, 2000, at(FLOAT, 900, 1))
    for second in range(2000, 2040, 5):
        arriving(run, second, at(LEVEL, second, 11))
    assert told(run.events, "high")[0][:2] == (1995 + 30, "raised")


def test_a_late_reading_tells_nothing_again_that_time_has_ended() -> None:
    often = rule("often", Duty(micros(60), starts=1), kind="duty", on_channel=FLOAT)
    run = EngineRun(book([often], [contact(FLOAT)]), 0)
    arriving(run, 100, at(FLOAT, 100, 0))
    arriving(run, 110, at(FLOAT, 110, 1))
    arriving(run, 200, at(FLOAT, 115, 1))
    run.advance(micros(300))
    assert told(run.events) == [
        (110, "raised", "unacknowledged", True),
        (170, "returned", "returned-unacknowledged", False),
    ]


HOURS = (Between(1, 2),)  # from 60 to 120 s


def test_what_was_wet_before_the_hours_of_a_rule_is_wet_in_them_though_it_comes_late() -> None:
    made = book([rule("wet", LEAK, on_channel=FLOAT, while_=HOURS)], [contact(FLOAT)])
    run = EngineRun(made, 0)
    arriving(run, 70, at(FLOAT, 50, 1))
    assert told(run.events) == [(60, "raised", "unacknowledged", True)]


def test_a_slow_clock_does_not_end_what_the_hours_of_a_rule_began() -> None:
    made = book([rule("wet", LEAK, on_channel=FLOAT, while_=HOURS)], [contact(FLOAT)])
    run = EngineRun(made, 0)
    arriving(run, 10, at(FLOAT, 5, 1))
    arriving(run, 62, at(FLOAT, 57, 1))
    assert told(run.events) == [(60, "raised", "unacknowledged", True)]


def test_what_rose_in_a_backlog_and_returns_with_the_first_reading_on_time_tells_nobody() -> None:
    run = EngineRun(book([rule("wet", LEAK, on=30, on_channel=FLOAT)], [contact(FLOAT)]), 0)
    arriving(run, 2000, at(FLOAT, 900, 1), at(FLOAT, 2000, 0))
    assert told(run.events) == [
        (930, "raised", "unacknowledged", False),
        (2000, "returned", "normal", False),
    ]


def test_a_hold_off_runs_from_the_later_return_though_the_earlier_is_told_last() -> None:
    causes = ("wet", "high")
    rules = [
        rule("wet", LEAK, on_channel=FLOAT),
        rule("high"),
        rule("low", Limit(Side.LOW, 5.0), on=10, hold_off=60, suppressed_by=causes),
    ]
    run = EngineRun(book(rules, [channel(), contact(FLOAT)]), 0)
    arriving(run, 10, at(LEVEL, 10, 11), at(FLOAT, 10, 1))
    arriving(run, 100, at(LEVEL, 100, 1))
    arriving(run, 110, at(FLOAT, 80, 0))
    run.advance(micros(300))
    assert told(run.events, "low")[-1] == (160, "released", "unacknowledged", True)


def test_a_fast_clock_that_is_heard_for_the_first_time_makes_a_deadline_come_sooner() -> None:
    away = Discrepancy(micros(30), expected=True)
    made = book([rule("away", away, kind="discrepancy", on_channel=FLOAT)], [contact(FLOAT)])
    run = EngineRun(made, micros(100))
    arriving(run, 110, at(FLOAT, 120, 0))
    run.advance(micros(120))
    assert told(run.events) == [(130, "raised", "unacknowledged", True)]


def test_history_judges_no_probe_that_is_not_asked_for_silence() -> None:
    frozen = rule("frozen", BadMeasurement(frozen=micros(20)), kind="bad-measurement", on=30)
    run = EngineRun(book([frozen], [channel()]), 0)
    arriving(run, 10, at(LEVEL, 10, 5))
    arriving(run, 40, at(LEVEL, 40, 5))  # its delay runs
    run.restart(micros(50))
    arriving(run, 60, at(LEVEL, 35, 5))
    run.advance(micros(95))
    assert run.events == []
    arriving(run, 100, at(LEVEL, 100, 5))
    run.advance(micros(130))
    assert told(run.events) == [(130, "raised", "unacknowledged", True)]


def test_what_the_service_observes_has_its_own_time_whatever_comes_late() -> None:
    lost = rule("lost", BuiltIn(), kind="system", on_channel=None, while_=(ChannelIs(FLOAT, True),))
    run = EngineRun(book([lost], [contact(FLOAT)]), 0)
    run.advance(micros(100))
    run.observe("lost", True)
    arriving(run, 150, at(FLOAT, 50, 1))
    assert [(e.kind, e.time) for e in run.events] == [("raised", micros(150))]


def test_a_duty_of_a_backlog_that_ended_within_its_delay_tells_nobody() -> None:
    # On for 240 s, which is too long until 120 s after it went off; the delay would take 180 s.
    often = rule("often", Duty(micros(360), on_for=micros(240)), on=180, on_channel=FLOAT)
    run = EngineRun(book([often], [channel(FLOAT, quantity="switch")]), 0)
    arriving(run, 720, at(FLOAT, 60, 1), at(FLOAT, 180, 1), at(FLOAT, 300, 0))
    run.advance(micros(900))
    assert run.events == []


@pytest.mark.parametrize("comes", [0, 720])
def test_a_delay_and_a_duty_that_end_together_raise_and_return(comes: float) -> None:
    often = rule("often", Duty(micros(360), on_for=micros(240)), on=120, on_channel=FLOAT)
    run = EngineRun(book([often], [channel(FLOAT, quantity="switch")]), 0)
    arriving(run, max(60, comes), at(FLOAT, 60, 1))
    arriving(run, max(300, comes), at(FLOAT, 300, 0))
    run.advance(micros(900))
    found = [(event.kind, event.time) for event in run.events]
    assert found == [("raised", micros(420)), ("returned", micros(420))]


def test_a_duty_whose_delay_ran_at_the_stop_is_not_raised_once_its_hours_are_over() -> None:
    duty, hours = Duty(micros(660), on_for=micros(120)), (Between(4, 14),)
    long = rule("long", duty, on=300, on_channel=FLOAT, while_=hours, bold=True)
    run = EngineRun(book([long], [channel(FLOAT, every=60, quantity="switch")]), 0)
    arriving(run, 180, at(FLOAT, 180, 1))
    run.advance(micros(480))  # too long since 300; its delay would end at 600
    run.restart(micros(840))
    run.advance(micros(900))
    assert run.events == []


def test_a_duty_with_hours_is_judged_by_what_is_so_at_a_start() -> None:
    duty, hours = Duty(micros(480), on_for=micros(120)), (Between(15, 7),)
    long = rule("long", duty, on=300, on_channel=FLOAT, while_=hours)
    run = EngineRun(book([long], [channel(FLOAT, quantity="switch")]), 0)
    arriving(run, 120, at(FLOAT, 60, 1))
    run.advance(micros(420))  # too long since 180; its hours end, and with them its delay
    run.restart(micros(540))
    run.advance(micros(800))
    assert run.events == []


def test_what_a_duty_comes_to_is_not_missed_though_it_was_looked_at_for_something_later() -> None:
    """Its cause was observed after that; then late readings have it looked at before it again."""
    pump = Channel(OTHER, "switch", silent_after=micros(180))
    duty, stands = Duty(micros(360), on_for=micros(180)), (AlarmStands("cause"),)
    busy = rule("busy", duty, on_channel=OTHER, while_=stands)
    cause = rule("cause", BuiltIn(), kind="system", on_channel=None)
    run = EngineRun(book([busy, cause], [pump]), 0)
    arriving(run, 60, at(OTHER, 0, 1))
    run.advance(micros(360))
    run.observe("cause", True)
    arriving(run, 480, Reading(OTHER, micros(60), 0.0, Quality.BAD))
    assert next_call(run.state) == micros(480)
    run.advance(micros(481))
    assert told([e for e in run.events if e.rule == "busy"])[:1] == [
        (180, "raised", "unacknowledged", False)
    ]
