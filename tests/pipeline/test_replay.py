"""Virtual time: deadlines, then readings, then commands at one instant; any order of rows."""

import random

import pytest
from support.bench_engine import LEVEL, book, channel, command, rule, run, seen, told

from weirwatch.domain.alarm import Event
from weirwatch.domain.instant import micros
from weirwatch.domain.reading import Quality, Reading
from weirwatch.domain.rule import Absolute, BadMeasurement, Side
from weirwatch.pipeline.replay import Refusal, replay

FLOW = "hall/node/flow"


def test_without_rows_there_is_nothing() -> None:
    made = book([rule()], [channel()])
    assert list(replay(made, [], [], None)) == []
    assert list(replay(made, [], [], micros(100))) == []
    assert list(replay(made, seen([(10, 11)]), [], micros(9))) == []


def test_it_ends_at_the_last_row_deadlines_of_that_instant_done() -> None:
    made = book([rule(on=30)], [channel(), channel(FLOW)])
    assert told(run(made, seen([(0, 11)]) + seen([(29.999, 0)], FLOW))) == []
    assert told(run(made, seen([(0, 11)]) + seen([(30, 0)], FLOW))) == [
        (30, "raised", "unacknowledged", True)
    ]


def test_until_goes_on_beyond_the_last_row_or_stops_before_it() -> None:
    made = book([rule(on=30)], [channel()])
    readings = seen([(0, 11), (20, 11), (31, 5)])
    assert told(run(made, readings[:1], until=29.999999)) == []
    assert told(run(made, readings[:1], until=30)) == [(30, "raised", "unacknowledged", True)]
    assert told(run(made, readings, until=30)) == [(30, "raised", "unacknowledged", True)]
    assert len(run(made, readings, until=31)) == 2


def test_a_row_at_until_itself_counts() -> None:
    made = book([rule()], [channel()])
    assert told(run(made, seen([(5, 11)]), until=5)) == [(5, "raised", "unacknowledged", True)]
    given = [command(5, "acknowledge")]
    assert len(run(made, seen([(4, 11)]), given, until=5)) == 2


def test_at_one_instant_deadline_then_reading_then_command() -> None:
    made = book([rule(on=10)], [channel()])
    events = run(made, seen([(0, 11), (10, 5)]), [command(10, "acknowledge")])
    assert told(events) == [
        (10, "raised", "unacknowledged", True),
        (10, "returned", "returned-unacknowledged", False),
        (10, "acknowledged", "normal", False),
    ]


def test_commands_of_one_instant_come_in_the_order_of_their_file() -> None:
    made = book([rule(latching=True)], [channel()])
    in_order = [command(2, "acknowledge"), command(2, "reset")]
    events = run(made, seen([(0, 11), (1, 5)]), in_order)
    assert [e.kind for e in events] == ["raised", "returned", "acknowledged", "reset"]
    found = list(replay(made, seen([(0, 11), (1, 5)]), in_order[::-1], None))
    assert [type(e) for e in found] == [Event, Event, Refusal, Event]


def test_readings_of_one_instant_come_in_the_order_of_their_file() -> None:
    made = book([rule()], [channel()])
    assert told(run(made, seen([(0, 11), (0, 5)]))) == [(0, "raised", "unacknowledged", True)]
    assert told(run(made, seen([(0, 5), (0, 11)]))) == []


def test_a_refused_command_is_told_with_its_time_and_the_run_goes_on() -> None:
    made = book([rule()], [channel()])
    given = [command(1, "acknowledge"), command(3, "acknowledge", "nobody")]
    first, raised, unknown = list(replay(made, seen([(2, 11)]), given, None))
    assert isinstance(first, Refusal)
    assert isinstance(unknown, Refusal)
    assert isinstance(raised, Event)
    assert (first.time, unknown.time) == (micros(1), micros(3))
    assert "nothing to acknowledge" in first.sentence
    assert "'nobody'" in unknown.sentence


def test_a_command_before_any_reading() -> None:
    made = book([rule()], [channel()])
    events = run(made, seen([(60, 11), (120, 11)]), [command(0, "shelve", minutes=1.5)])
    assert told(events) == [
        (0, "shelved", "normal", False),
        (60, "raised", "unacknowledged", False),
        (90, "unshelved", "unacknowledged", True),
    ]


def test_silence_counts_from_the_first_row_on() -> None:
    silent = rule("silent", BadMeasurement(silent=True), kind="bad-measurement")
    made = book([silent], [channel(every=5), channel(FLOW)])
    events = run(made, seen([(1000, 1.0)], FLOW), until=1015)
    assert told(events) == [(1015, "raised", "unacknowledged", True)]


def test_quality_in_the_file_is_kept_and_the_valid_range_is_judged() -> None:
    made = book([rule()], [channel(valid=(0.0, 100.0))])
    readings = [
        Reading(LEVEL, micros(1), 50.0, Quality.UNCERTAIN),
        Reading(LEVEL, micros(2), 50.0, Quality.BAD),
        Reading(LEVEL, micros(3), 500.0),
    ]
    assert run(made, readings) == []
    assert len(run(made, [*readings, Reading(LEVEL, micros(4), 50.0)])) == 1


def test_events_are_never_late_and_come_in_order_of_time() -> None:
    chance = random.Random(11)
    made = book(
        [rule(on=7, off=3), rule("low", Absolute(Side.LOW, 4.0, 1.0), off=5, re_alarm=20)],
        [channel()],
    )
    readings = seen([(t, chance.uniform(0, 14)) for t in range(0, 4000, 3)])
    events = run(made, readings, until=5000)
    assert len(events) > 100
    assert [e.time for e in events] == sorted(e.time for e in events)
    assert not any(e.late for e in events)


@pytest.mark.parametrize("seed", range(5))
def test_the_order_of_rows_does_not_matter(seed: int) -> None:
    """As long as no two rows of one channel are of one instant, where the first wins."""
    chance = random.Random(seed)
    flow = rule("flow", Absolute(Side.LOW, 5.0, 1.0), on=4, off=4, on_channel=FLOW)
    consequence = rule("high", on=10, hold_off=20, suppressed_by=("flow",))
    made = book([flow, consequence], [channel(every=30), channel(FLOW)])
    readings = seen([(t, chance.uniform(0, 14)) for t in range(0, 600, 5)])
    readings += seen([(t, chance.uniform(0, 14)) for t in range(0, 600, 7)], FLOW)
    in_order = run(made, readings, until=700)
    assert len(in_order) > 20
    chance.shuffle(readings)
    assert run(made, readings, until=700) == in_order
