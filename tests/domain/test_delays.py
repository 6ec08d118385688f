"""On- and off-delays: exact deadlines, voids, fail to alarm."""

from typing import Any

from domain.engine_run import EngineRun
from support.bench_engine import book, channel, rule, run, seen, told

from weirwatch.domain.engine import decide_reading
from weirwatch.domain.instant import micros
from weirwatch.domain.reading import Channel, Quality
from weirwatch.domain.rule import Absolute, BadMeasurement, ChannelIs, Priority, Side

PUMP = "hall/power/pump"
WARM = Absolute(Side.HIGH, 27.5, 0.3)


def test_published_example_of_limit_deadband_and_both_delays() -> None:
    # Worked example: limit 27.5, deadband 0.3, on-delay 60 s, off-delay 60 s (own vector,
    # unambiguous; delays as EEMUA 191 describes them, from memory).
    made = book([rule("warm", WARM, on=60, off=60)], [channel()])
    assert told(run(made, seen([(0, 27.6), (59, 27.6)]))) == []
    assert told(run(made, seen([(0, 27.6), (59, 27.6)]), until=60)) == [
        (60, "raised", "unacknowledged", True)
    ]
    stays = seen([(0, 27.6), (100, 27.3), (400, 27.3)])
    assert told(run(made, stays, until=500)) == [(60, "raised", "unacknowledged", True)]
    goes = seen([(0, 27.6), (100, 27.1)])
    assert told(run(made, goes, until=159))[1:] == []
    assert told(run(made, goes, until=160))[1:] == [
        (160, "returned", "returned-unacknowledged", False)
    ]


def test_no_delay_raises_and_returns_at_the_reading() -> None:
    made = book([rule()], [channel()])
    assert told(run(made, seen([(1, 10.0), (2, 9.0), (3, 8.0)]))) == [
        (1, "raised", "unacknowledged", True),
        (3, "returned", "returned-unacknowledged", False),
    ]


def test_a_condition_that_ceases_cancels_the_count() -> None:
    made = book([rule(on=30)], [channel()])
    readings = seen([(0, 11), (20, 7), (25, 11), (54, 11)])
    assert told(run(made, readings, until=54.9)) == []
    assert told(run(made, readings, until=55)) == [(55, "raised", "unacknowledged", True)]


def test_deadline_comes_before_the_reading_of_the_same_instant() -> None:
    made = book([rule(on=30)], [channel()])
    assert told(run(made, seen([(0, 11), (30, 5)]))) == [
        (30, "raised", "unacknowledged", True),
        (30, "returned", "returned-unacknowledged", False),
    ]


def test_a_long_gap_voids_the_count_and_it_starts_again() -> None:
    # every 5 s → silent after 15 s
    made = book([rule(on=30)], [channel(every=5)])
    readings = seen([(0, 11), (5, 11), (21, 11), (26, 11), (36, 11), (46, 11)])
    assert told(run(made, readings, until=60)) == [(51, "raised", "unacknowledged", True)]


def test_a_gap_of_exactly_silent_after_does_not_void() -> None:
    made = book([rule(on=30)], [channel(every=5)])
    assert told(run(made, seen([(0, 11), (15, 11)]), until=40)) == [
        (30, "raised", "unacknowledged", True)
    ]


def test_an_old_reading_at_the_deadline_voids() -> None:
    made = book([rule(on=30)], [channel(every=5)])
    assert told(run(made, seen([(0, 11), (14, 11)]), until=300)) == []


def test_without_expected_every_no_reading_is_needed() -> None:
    made = book([rule(on=30)], [channel()])
    assert told(run(made, seen([(0, 11)]), until=30)) == [(30, "raised", "unacknowledged", True)]


def test_off_delay_is_voided_the_same_way() -> None:
    made = book([rule(off=30)], [channel(every=5)])
    readings = seen([(0, 11), (5, 7), (10, 7)])
    assert told(run(made, readings, until=200)) == [(0, "raised", "unacknowledged", True)]
    again = seen([(0, 11), (5, 7), (10, 7), (100, 7), (110, 7), (120, 7)])
    assert told(run(made, again, until=200))[1:] == [
        (130, "returned", "returned-unacknowledged", False)
    ]


def test_bad_and_uncertain_readings_leave_the_count_as_it_is() -> None:
    made = book([rule(on=30)], [channel(every=5)])
    for quality in (Quality.BAD, Quality.UNCERTAIN):
        readings = seen([(0, 11), (5, 11), (20, 11)]) + seen([(10, 0.0)], quality=quality)
        assert told(run(made, readings, until=31)) == [(30, "raised", "unacknowledged", True)]


def test_bad_readings_neither_raise_nor_clear() -> None:
    made = book([rule()], [channel(valid=(0.0, 100.0))])
    assert told(run(made, seen([(0, 500.0), (1, 5.0), (2, 11.0), (3, -5.0)]))) == [
        (2, "raised", "unacknowledged", True)
    ]


BOLD: dict[str, Any] = {"bold": True, "failure": "floor-leak", "priority": Priority.CRITICAL}


def test_bold_fails_to_alarm_when_the_probe_falls_silent_mid_delay() -> None:
    made = book([rule(on=30, **BOLD)], [channel(every=5)])
    events = run(made, seen([(0, 11)]), until=31)
    assert told(events) == [(30, "raised", "unacknowledged", True)]
    assert "measurement lost" in events[0].message


def test_bold_fails_to_alarm_when_the_probe_turns_bad_mid_delay() -> None:
    made = book([rule(on=30, **BOLD)], [channel(every=5)])
    readings = seen([(0, 11)]) + seen([(5, 0), (10, 0), (29, 0)], quality=Quality.BAD)
    events = run(made, readings, until=31)
    assert told(events) == [(30, "raised", "unacknowledged", True)]
    assert "measurement lost" in events[0].message


def test_bold_saturation_on_the_alarm_side_counts_as_present() -> None:
    probe = [channel(every=5, valid=(0.0, 100.0))]
    bold = book([rule(on=10, **BOLD)], probe)
    saturated = seen([(0, 500.0), (5, 500.0), (10, 500.0)])
    assert told(run(bold, saturated)) == [(10, "raised", "unacknowledged", True)]
    assert told(run(book([rule(on=10)], probe), saturated)) == []
    other_side = seen([(0, -500.0), (5, -500.0), (10, -500.0)])
    assert told(run(bold, other_side, until=60)) == []


def test_measurement_lost_is_said_only_when_it_is() -> None:
    probe = [channel(every=5)]
    healthy = seen([(0, 11), (5, 11), (10, 11)])
    for made in (book([rule(on=10)], probe), book([rule(on=10, **BOLD)], probe)):
        (event,) = run(made, healthy)
        assert "measurement lost" not in event.message
    bad = seen([(0, 11)]) + seen([(5, 11)], quality=Quality.BAD)  # not silent yet at second 10
    (event,) = run(book([rule(on=10, **BOLD)], probe), bad, until=10)
    assert "measurement lost" in event.message
    (event,) = run(book([rule(on=10)], probe), bad, until=10)
    assert "measurement lost" not in event.message
    silent = rule("high", BadMeasurement(silent=True), kind="bad-measurement", on=10, **BOLD)
    (event,) = run(book([silent], probe), seen([(0, 11)]), until=25)
    assert "measurement lost" not in event.message  # that is what it is raised for


def test_a_void_count_does_not_start_again_without_a_reading_of_its_own_channel() -> None:
    high = rule(on=30, while_=(ChannelIs(PUMP, True),))
    made = book([high], [channel(every=5), Channel(PUMP, "switch")])
    pump = seen([(0, 1), (50, 1)], PUMP)
    assert told(run(made, pump + seen([(1, 11)]), until=200)) == []
    fresh = seen([(1, 11), *((float(t), 11.0) for t in range(60, 100, 5))])
    assert told(run(made, pump + fresh, until=200)) == [(90, "raised", "unacknowledged", True)]


def test_what_ceases_after_a_void_becomes_present_at_its_limit_only() -> None:
    # 30 s of on-delay are void at 30, it ceases at 60 and comes between limit and deadband.
    made = book([rule(on=30)], [channel(every=5)])
    within = seen([(0, 11), (60, 5), *((float(t), 9.0) for t in range(65, 200, 5))])
    assert told(run(made, within, until=200)) == []


def test_a_reading_that_moves_nothing_leaves_no_alarm_to_be_stored() -> None:
    # Alarms that change are committed at once, plain readings in groups.
    high = rule(on=30, while_=(ChannelIs(PUMP, True),))
    engine = EngineRun(book([high], [channel(), Channel(PUMP, "switch")]), 0)
    for reading in seen([(0, 1)], PUMP) + seen([(0, 11)]):
        engine.reading(reading)
    for second in (10, 40):  # while the delay runs, and when it has been raised
        engine.advance(micros(second))
        for reading in seen([(second, 11)]) + seen([(second, 1)], PUMP):
            decision = decide_reading(engine.state, reading, reading.time, engine.book)
            assert decision.observed is not None
            assert dict(decision.alarms) == {}
    assert told(engine.events) == [(30, "raised", "unacknowledged", True)]
