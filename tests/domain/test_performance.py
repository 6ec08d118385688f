"""The figures of the performance report.

Check vectors: the trade's words made unambiguous by us (three annunciations within 60 s chatter;
a flood begins above 10 in 600 s and ends below 5); ISA-18.2 / EEMUA 191 figures from memory.
"""

from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from weirwatch.domain.alarm import Event
from weirwatch.domain.instant import SECOND, from_rfc3339
from weirwatch.domain.performance import (
    DAY,
    HOUR,
    Night,
    Performance,
    alarm_floods,
    chatter,
    most_within,
    performance,
)
from weirwatch.domain.rule import BuiltIn, Priority, Rule

OSLO = ZoneInfo("Europe/Oslo")
START = from_rfc3339("2026-05-01T00:00:00Z")
RULES = {
    name: Rule(name, name, "system", BuiltIn(), "disk-full", priority=priority)
    for name, priority in (("level", Priority.HIGH), ("ph", Priority.LOW))
}


def raised(seconds: float, rule: str = "level", *, annunciated: bool = True) -> Event:
    return Event(
        START + round(seconds * SECOND),
        "raised",
        rule,
        from_state="normal",
        to_state="unacknowledged",
        annunciated=annunciated,
    )


def returned(seconds: float, rule: str = "level") -> Event:
    return Event(
        START + round(seconds * SECOND),
        "returned",
        rule,
        from_state="unacknowledged",
        to_state="returned-unacknowledged",
    )


def over(*events: Event, days: float = 1, start: int = START, **more: object) -> Performance:
    return performance(
        events,
        start,
        start + round(days * DAY),
        rules=RULES,
        zone=OSLO,
        **more,  # type: ignore[arg-type]
    )


@pytest.mark.parametrize(
    ("times", "chatters"), [((0, 20, 40), True), ((0, 31, 62), False), ((0, 30, 60), False)]
)
def test_three_annunciations_within_a_minute_chatter(
    times: tuple[int, ...], chatters: bool
) -> None:
    assert (chatter("level", [t * SECOND for t in times]) is not None) is chatters
    report = over(*(raised(t) for t in times))
    assert [c.rule for c in report.chattering] == (["level"] if chatters else [])


def test_chattering_is_of_one_rule() -> None:
    assert over(raised(0), raised(20, "ph"), raised(40)).chattering == ()


def test_bursts_are_counted_apart() -> None:
    found = chatter("level", [t * SECOND for t in (0, 10, 20, 30, 600, 610, 620)])
    assert found is not None
    assert (found.bursts, found.most) == (2, 4)


@pytest.mark.parametrize(("count", "floods"), [(11, 1), (10, 0)])
def test_eleven_annunciations_in_ten_minutes_are_an_alarm_flood_and_ten_are_not(
    count: int, floods: int
) -> None:
    events = [raised(n * 59) for n in range(count)]  # the eleventh at 590 s
    report = over(*events)
    assert len(report.floods) == floods
    assert report.per_ten_minutes.peak == count
    assert report.crowded_share == pytest.approx(floods / 144)


def test_an_alarm_flood_ends_below_five_in_ten_minutes() -> None:
    loud = [(n * 10 * SECOND, "level") for n in range(12)]
    (flood,) = alarm_floods(loud, DAY)
    assert flood.opened_at == 100 * SECOND  # the eleventh
    assert flood.annunciations == 12
    assert flood.first == "level"
    # Five are left until the eighth of twelve is ten minutes old.
    assert flood.closed_at == 70 * SECOND + 600 * SECOND
    assert alarm_floods(loud, 200 * SECOND)[0].closed_at is None


@given(st.lists(st.integers(0, 5000), max_size=60).map(sorted), st.integers(1, 700))
def test_the_most_within_a_window_is_what_counting_by_hand_finds(
    times: list[int], window: int
) -> None:
    by_hand = max((sum(t - window < u <= t for u in times) for t in times), default=0)
    assert most_within(times, window) == by_hand


@given(st.lists(st.integers(0, 5000), max_size=80).map(sorted))
def test_an_alarm_flood_stands_exactly_when_counting_by_hand_says_so(times: list[int]) -> None:
    floods = alarm_floods([(t * SECOND, "level") for t in times], 6000 * SECOND)
    stands = False
    for second in range(6000):
        count = sum(second - 600 < t <= second for t in times)
        stands = count > 10 or (stands and count >= 5)
        told = any(f.opened_at <= second * SECOND < (f.closed_at or 6000 * SECOND) for f in floods)
        assert told is stands, second


def test_rates_are_over_the_whole_span_and_peaks_over_any() -> None:
    report = over(raised(10), raised(3605), raised(50_000), raised(-5), raised(86_400))
    assert report.annunciations == 3
    assert report.per_day.average == pytest.approx(3)
    assert report.per_hour.average == pytest.approx(3 / 24)
    assert report.per_hour.peak == 2  # less than an hour apart, over the full hour
    assert report.per_day.peak == 3


def test_what_was_not_annunciated_and_what_was_a_drill_does_not_count() -> None:
    drill = Event(START, "raised", "level", annunciated=True, drill=True)
    assert over(raised(1, annunciated=False), drill).annunciations == 0


def test_an_alarm_that_clears_in_less_than_a_minute_is_fleeting_unless_it_chatters() -> None:
    assert over(raised(0), returned(59)).fleeting == {"level": 1}
    assert over(raised(0), returned(60)).fleeting == {}
    three = [e for t in (0, 20, 40) for e in (raised(t), returned(t + 5))]
    assert over(*three).fleeting == {}


def test_an_alarm_that_stands_for_more_than_a_day_is_stale_also_from_before() -> None:
    report = over(raised(-7200), returned(DAY / SECOND - 7200), days=2)
    assert report.stale == ()
    report = over(raised(-7200), returned(DAY / SECOND), days=2)
    assert [(s.rule, s.since) for s in report.stale] == [("level", START - 2 * HOUR)]
    assert report.stale_peak == 1
    still = over(raised(0), raised(10, "ph"), days=3)
    assert [s.until for s in still.stale] == [None, None]
    assert still.stale_peak == 2


def test_bad_actors_and_priorities_are_shares_of_all_annunciations() -> None:
    report = over(raised(0), raised(1000), raised(2000), raised(3000, "ph"), raised(4000, "gone"))
    assert [(a.rule, a.annunciations) for a in report.bad_actors] == [
        ("level", 3),
        ("gone", 1),
        ("ph", 1),
    ]
    assert report.bad_actors[0].share == pytest.approx(0.6)
    assert report.top_share == pytest.approx(1.0)
    assert report.annunciated == {Priority.HIGH: 3, Priority.LOW: 1}


def test_nights_are_those_of_the_keeper() -> None:
    delivered = [
        from_rfc3339(text)
        for text in (
            "2026-05-01T19:59:00Z",  # 21:59 in Oslo
            "2026-05-01T20:00:00Z",  # 22:00
            "2026-05-02T04:59:00Z",  # 06:59 of the same night
            "2026-05-02T05:00:00Z",  # 07:00
            "2026-05-03T01:00:00Z",
            "2026-06-01T00:30:00Z",
        )
    ]
    assert over(days=40, delivered=delivered).nights == (
        Night("2026-05", 3, 2),
        Night("2026-06", 1, 1),
    )
