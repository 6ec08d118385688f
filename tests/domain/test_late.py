"""Readings that arrive long after their own time, and nodes whose clock is off."""

from domain.engine_run import EngineRun
from support.bench_engine import LEVEL, book, channel, command, rule, seen, told

from weirwatch.domain.engine import next_call
from weirwatch.domain.instant import micros
from weirwatch.domain.reading import Channel, Quality, Reading
from weirwatch.domain.rule import Absolute as Limit
from weirwatch.domain.rule import AlarmStands, BadMeasurement, ChannelIs, Rule, Side

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
