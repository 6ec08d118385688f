"""Conditions before delays: what doubtful readings leave as it is, what counts as silence."""

from domain.engine_run import EngineRun
from support.bench_engine import book, channel, rule, run, seen, told

from weirwatch.domain.instant import micros
from weirwatch.domain.reading import Channel, Quality
from weirwatch.domain.rule import BadMeasurement, ChannelIs, Priority

PUMP = "hall/power/pump"


def test_a_doubtful_reading_does_not_clear_what_an_impossible_one_raised() -> None:
    leak = rule(bold=True, failure="floor-leak", priority=Priority.CRITICAL)
    made = book([leak], [channel(valid=(0.0, 100.0))])
    doubtful = [
        seen([(2, 5.0)], quality=Quality.UNCERTAIN),
        seen([(2, 5.0)], quality=Quality.BAD),
        seen([(2, -7.0)]),  # impossible on the other side
    ]
    for readings in doubtful:
        events = run(made, seen([(0, 5.0), (1, 500.0)]) + readings, until=60)
        assert told(events) == [(1, "raised", "unacknowledged", True)]
        events = run(made, seen([(0, 5.0), (1, 500.0)]) + readings + seen([(3, 5.0)]))
        assert told(events)[1:] == [(3, "returned", "returned-unacknowledged", False)]


def test_an_impossible_reading_does_not_begin_an_off_delay() -> None:
    # The off-delay was void for want of a good reading; only a good one begins it again.
    leak = rule(
        off=30,
        bold=True,
        failure="floor-leak",
        priority=Priority.CRITICAL,
        while_=(ChannelIs(PUMP, True),),
    )
    made = book([leak], [channel(every=5, valid=(0.0, 100.0)), Channel(PUMP, "switch")])
    good = [(float(t), 5.0) for t in range(65, 100, 5)]
    readings = seen([(0, 1), (5, 0)], PUMP) + seen([(0, 500.0), (60, 500.0), *good])
    events = run(made, readings, until=120)
    assert told(events)[1:] == [(95, "returned", "returned-unacknowledged", False)]


def silence(on: float = 0) -> EngineRun:
    """A probe that is silent after 15 s, heard once at 0."""
    silent = rule("silent", BadMeasurement(silent=True), kind="bad-measurement", on=on)
    engine = EngineRun(book([silent], [channel(every=5)]), 0)
    engine.advance(micros(10))
    engine.reading(seen([(10, 1)])[0])
    return engine


def test_a_reading_that_is_history_already_ends_a_silence() -> None:
    # Silent is: no reading of any quality; a duplicate or an older one is a reading.
    for old in (10, 4):
        engine = silence()
        engine.advance(micros(100))
        engine.reading(seen([(old, 1)])[0])
        engine.advance(micros(110))
        assert told(engine.events) == [
            (25, "raised", "unacknowledged", True),
            (100, "returned", "returned-unacknowledged", False),
        ]
        engine.advance(micros(200))
        assert told(engine.events)[2:] == [(115, "raised", "unacknowledged", True)]


def test_a_silence_that_was_pending_counts_from_the_reconnection_on() -> None:
    engine = silence(on=30)
    engine.advance(micros(40))  # silent since 25: would be raised at 55
    engine.link(False)
    engine.advance(micros(50))
    engine.link(True)
    engine.advance(micros(200))
    assert told(engine.events) == [(50 + 15 + 30, "raised", "unacknowledged", True)]


def test_nobody_is_called_silent_while_the_broker_is_away() -> None:
    engine = silence()
    engine.advance(micros(20))
    engine.link(False)
    engine.advance(micros(500))
    assert engine.events == []
    engine.link(True)
    engine.advance(micros(600))
    assert told(engine.events) == [(515, "raised", "unacknowledged", True)]


def test_a_silence_that_stands_stands_on_over_a_reconnection() -> None:
    engine = silence()
    engine.advance(micros(40))
    engine.link(False)
    engine.link(True)
    engine.advance(micros(300))
    assert told(engine.events) == [(25, "raised", "unacknowledged", True)]
