"""Conditions before delays: what doubtful readings leave as it is."""

from support.bench_engine import book, channel, rule, run, seen, told

from weirwatch.domain.reading import Channel, Quality
from weirwatch.domain.rule import ChannelIs, Priority

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
