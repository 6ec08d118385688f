"""When an alarm flood opens and closes; which alarm of a group came first."""

from hypothesis import given
from hypothesis import strategies as st
from support.bench_engine import LEVEL, book, channel, rule, seen

from weirwatch.domain.alarm_flood import Flood, annunciated, at, closes_at, told_singly
from weirwatch.domain.engine import ReadingSeen, adopt, decide, start
from weirwatch.domain.instant import micros
from weirwatch.domain.rule import Absolute, Priority, Side

MINUTE = micros(60)


def flood(*minutes: float) -> Flood:
    found = Flood()
    for minute in minutes:
        found = annunciated(found, round(minute * MINUTE))
    return found


def test_more_than_ten_in_ten_minutes_open_it() -> None:
    assert not flood(*range(10)).open
    assert flood(*range(10), 9.99).open
    assert not flood(*range(10), 10).open  # the first has left the window


def test_fewer_than_five_close_it() -> None:
    opened = flood(*[0] * 7, 1, 2, 3, 4)
    assert closes_at(opened) == 10 * MINUTE
    assert at(opened, 10 * MINUTE - 1).open
    assert not at(opened, 10 * MINUTE).open
    assert closes_at(at(opened, 10 * MINUTE)) is None
    assert closes_at(annunciated(opened, 5 * MINUTE)) == 11 * MINUTE


@given(st.lists(st.integers(0, 3000), max_size=60), st.integers(0, 4000))
def test_against_counting_by_hand(seconds: list[int], end: int) -> None:
    """The definition said the long way round: look at every second."""
    seconds.sort()
    found, is_open = Flood(), False
    for now in range(max([*seconds, end], default=0) + 1):
        for _ in range(seconds.count(now)):
            found = annunciated(found, micros(now))
            in_window = sum(now - 600 < s <= now for s in seconds if s < now) + len(
                [t for t in found.times if t == micros(now)]
            )
            is_open = is_open or in_window > 10
        found = at(found, micros(now))
        if sum(now - 600 < s <= now for s in seconds) < 5:
            is_open = False
        assert found.open is is_open


def test_urgent_and_bold_are_told_singly() -> None:
    told = [told_singly(rule(priority=priority)) for priority in Priority]
    assert told == [False, False, True, True]
    assert told_singly(rule(priority=Priority.LOW, bold=True))


def test_the_first_of_a_group_is_marked() -> None:
    rules = [
        rule(name, Absolute(Side.HIGH, limit, 2.0), first_out=group)
        for name, limit, group in (("a", 10, "g"), ("b", 20, "g"), ("c", 30, None), ("d", 40, "h"))
    ]
    made = book(rules, [channel()])
    state = start({}, {}, made, 0, link_up=True)

    def marks(second: float, value: float) -> dict[str, bool]:
        (reading,) = seen([(second, value)], LEVEL)
        adopt(state, decide(state, ReadingSeen(reading, reading.time), made), made)
        return {name: alarm.first_out for name, alarm in state.alarms.items()}

    assert marks(1, 15) == {"a": True, "b": False, "c": False, "d": False}
    assert marks(2, 50) == {"a": True, "b": False, "c": False, "d": True}
    marks(3, 0)
    assert marks(4, 25)["a"]  # all had returned: a new first
