"""Deadlines: planned when they must be, done in their order, and not in the past."""

from typing import Any

import pytest
from domain.engine_run import EngineRun
from support.bench_engine import book, channel, command, rule, run, seen, told

from weirwatch.domain.alarm import Alarm
from weirwatch.domain.instant import micros, seconds
from weirwatch.domain.reading import Channel, Reading
from weirwatch.domain.rule import (
    Absolute,
    BadMeasurement,
    Between,
    ChannelIs,
    Discrepancy,
    Duty,
    Rule,
    Side,
    While,
)

PUMP = "hall/power/pump"
FLOW = "hall/node/flow"


def silent(*while_: While, **more: Any) -> Rule:
    condition = BadMeasurement(silent=True)
    return rule("silent", condition, kind="bad-measurement", while_=while_, **more)


def pump(points: list[tuple[float, float]]) -> list[Reading]:
    return seen(points, PUMP)


SWITCH = Channel(id=PUMP, quantity="switch")


def test_silence_is_seen_though_its_while_held_only_after_the_last_reading() -> None:
    made = book([silent(ChannelIs(PUMP, True))], [channel(every=5), SWITCH])
    events = run(made, seen([(0, 1)]) + pump([(3, 1)]), until=60)
    assert told(events) == [(15, "raised", "unacknowledged", True)]


def test_silence_is_seen_when_the_reading_itself_made_its_while_hold() -> None:
    probe = channel(PUMP, every=5, quantity="switch")
    made = book([silent(ChannelIs(PUMP, False), on_channel=PUMP)], [probe])
    events = run(made, pump([(0, 1), (5, 0)]), until=60)
    assert told(events) == [(20, "raised", "unacknowledged", True)]


def test_silence_that_the_time_of_day_ended_does_not_come_back_in_the_past() -> None:
    made = book([silent(Between(0, 10))], [channel(every=60)])
    events = run(made, seen([(60, 1)]), until=3600)
    assert told(events) == [
        (240, "raised", "unacknowledged", True),
        (600, "returned", "returned-unacknowledged", False),
    ]


def test_deadlines_are_done_in_the_order_of_their_times() -> None:
    # "early" was planned for second 30 and is due at 41; "high" is due at 36.
    rules = [
        rule("cause", Absolute(Side.HIGH, 10.0), off=9),
        rule("high", Absolute(Side.HIGH, 10.0), on=99, hold_off=12, suppressed_by=("cause",)),
        rule("early", Absolute(Side.LOW, 1.0), on=10, on_channel=FLOW),
    ]
    readings = seen([(0, 11), (15, 5)]) + seen([(20, 0), (25, 5)], FLOW)
    shelve = command(26, "shelve", "early", minutes=0.25)
    events = run(book(rules, [channel(), channel(FLOW)]), readings, [shelve], until=60)
    assert [(e.time // micros(1), e.rule, e.kind) for e in events][2:] == [
        (24, "cause", "returned"),
        (26, "early", "shelved"),
        (36, "high", "released"),
        (41, "early", "unshelved"),
    ]


def test_at_one_instant_rules_of_equal_rank_go_by_their_ids_whoever_looks() -> None:
    rules = [rule("b", on=30), rule("a", on=30), rule("c", on=30)]
    in_time = run(book(rules, [channel()]), seen([(0, 11)]), until=60)
    late = EngineRun(book(rules, [channel()]), 0)
    late.now = micros(1000)  # a backlog: the second reading lets the deadlines pass
    for reading in seen([(100, 11), (200, 11)]):
        late.reading(reading)
    for events in (in_time, late.events):
        assert [e.rule for e in events if e.kind == "raised"] == ["a", "b", "c"]


def test_a_contact_never_seen_is_missed_from_the_start_on() -> None:
    # It reports on change only: that nothing was ever heard is "not seen".
    absent = rule("absent", Discrepancy(micros(20), expected=True), on_channel=PUMP)
    made = book([absent], [channel(), SWITCH])
    assert told(run(made, seen([(5, 1)]), until=60)) == [(25, "raised", "unacknowledged", True)]
    by_day = rule(
        "absent", Discrepancy(micros(20), expected=True), on_channel=PUMP, while_=(Between(0, 60),)
    )
    made = book([by_day], [channel(), SWITCH])
    assert told(run(made, seen([(5, 1)]), until=60)) == [(25, "raised", "unacknowledged", True)]
    assert told(run(made, seen([(5, 1)]) + pump([(15, 1)]), until=60)) == []


def test_while_between_is_judged_at_the_start() -> None:
    made = book([rule(while_=(Between(0, 60),))], [channel()])
    assert told(run(made, seen([(5, 11)]), until=60)) == [(5, "raised", "unacknowledged", True)]


def test_the_first_boundary_of_several_times_of_day_ends_it() -> None:
    high = rule(while_=(Between(10, 50), Between(20, 30)))  # minutes after midnight
    made = book([high], [channel()])
    assert told(run(made, seen([(0, 11)]), until=3600)) == [
        (1200, "raised", "unacknowledged", True),
        (1800, "returned", "returned-unacknowledged", False),
    ]


@pytest.mark.parametrize(
    ("probe", "raised_at"),
    [
        (channel(quantity="switch"), 100),
        (channel(), 200),
        (channel(every=5), 200),
        (channel(every=5, quantity="switch"), 200),
    ],
)
def test_only_a_contact_is_judged_after_a_start_by_what_it_said_before(
    probe: Channel, raised_at: int
) -> None:
    # Others wait for the first good reading, as every delay that was pending does.
    engine = EngineRun(book([rule("dry", Discrepancy(0, minimum=50.0))], [probe]), 0)
    engine.reading(seen([(0, 99)])[0])
    engine.advance(micros(50))
    engine.reading(seen([(50, 1)])[0])
    engine.events.clear()
    engine.state.alarms["dry"] = Alarm("dry")  # as if the rule were new
    engine.restart(micros(100))
    engine.advance(micros(200))
    engine.reading(seen([(200, 1)])[0])
    assert told(engine.events) == [(raised_at, "raised", "unacknowledged", True)]


def test_what_came_before_a_time_of_day_is_judged_before_it_though_both_are_due_at_once() -> None:
    # Readings arrive 10 s behind: on for 600 s since 590, known at 1200, when its day ends.
    duty = Duty(micros(3600), on_for=micros(600))
    by_day = rule("long", duty, kind="duty", on_channel=PUMP, while_=(Between(0, 20),))
    engine = EngineRun(book([by_day], [SWITCH]), 0)
    engine.advance(micros(600))
    engine.reading(pump([(590, 1)])[0])
    engine.advance(micros(1300))
    assert [(seconds(e.time), e.kind) for e in engine.events] == [
        (1190, "raised"),
        (1200, "returned"),
    ]


def test_what_is_out_of_service_with_no_end_still_has_its_other_deadlines() -> None:
    given = [
        command(10, "acknowledge"),
        command(20, "remove-from-service", comment="probe out"),
    ]
    made = book([rule(re_alarm=100)], [channel()])
    assert told(run(made, seen([(0, 11)]), given, until=200))[3:] == [
        (110, "re-alarmed", "unacknowledged", False)
    ]
