"""On- and off-delays: exact deadlines, voids, fail to alarm."""

from typing import Any

from support.bench_engine import book, channel, rule, run, seen, told

from weirwatch.domain.reading import Quality
from weirwatch.domain.rule import Absolute, Priority, Side

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
