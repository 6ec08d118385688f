"""Kinds that look back, through the engine in virtual time: rate of change, duty, forecast."""

from dataclasses import replace

import pytest
from domain.engine_run import EngineRun, feed
from support.bench_engine import LEVEL, book, channel, rule, run, seen, told

from weirwatch.domain.book import Book
from weirwatch.domain.engine import adopt, decide_reading
from weirwatch.domain.instant import micros, seconds
from weirwatch.domain.reading import Channel, Quality, Reading
from weirwatch.domain.refill import refill_spans
from weirwatch.domain.rule import (
    Absolute,
    ChannelIs,
    Condition,
    Duty,
    Forecast,
    RateOfChange,
    Side,
)

PUMP = "hall/power/pump"
WINDOW = 640  # seconds: 64 cells of 10 s at a reading every 5 s
RISING = RateOfChange(micros(WINDOW), rise=1.0, deadband=0.2)


def ramp(start: int, stop: int, rate: float, base: float = 20.0) -> list[tuple[float, float]]:
    """A value that changes by `rate` a window, every 5 s, and stays before and after."""
    return [(float(t), base + rate * (t - start) / WINDOW) for t in range(start, stop, 5)]


def probe(*conditions: Condition, **more: object) -> Book:
    made = [rule(f"rule-{n}", c, **more) for n, c in enumerate(conditions)]  # type: ignore[arg-type]
    return book(made, [channel(every=5, unit="Cel"), Channel(PUMP, "switch")])


def flat(start: int, stop: int, value: float) -> list[tuple[float, float]]:
    return [(float(t), value) for t in range(start, stop, 5)]


def test_a_rise_raises_once_four_fifths_of_the_window_are_filled() -> None:
    events = run(probe(RISING), seen(ramp(0, 1000, 1.1)))
    # 52 of 64 cells (80 % is 51.2): the first reading of the 52nd comes at 510 s.
    assert told(events) == [(510, "raised", "unacknowledged", True)]
    assert events[0].message == "20.8766 °C, +1.1 °C per 640 s, limit +1 °C per 640 s"
    assert run(probe(RISING), seen(ramp(0, 1000, 0.9))) == []
    assert run(probe(RISING), seen(ramp(0, 1000, -5))) == []


def test_a_rise_returns_below_its_deadband_only() -> None:
    rise, top = ramp(0, 1000, 1.1), 20 + 1.1 * 1000 / WINDOW
    slower = [(t, v) for t, v in ramp(1000, 3000, 0.9, base=top)]
    events = run(probe(RISING), seen(rise + slower))
    assert told(events) == [(510, "raised", "unacknowledged", True)]
    slow = [(t, v) for t, v in ramp(1000, 3000, 0.7, base=top)]
    events = run(probe(RISING), seen(rise + slow))
    assert [e.kind for e in events] == ["raised", "returned"]
    assert 1000 + WINDOW / 4 < seconds(events[1].time) < 1000 + WINDOW


def test_a_fall_has_its_own_limit() -> None:
    falling = RateOfChange(micros(WINDOW), rise=9.0, fall=0.5)
    events = run(probe(falling), seen(ramp(0, 600, -0.6)))
    assert told(events) == [(510, "raised", "unacknowledged", True)]
    assert "−0.6 °C per 640 s" in events[0].message
    assert run(probe(RateOfChange(micros(WINDOW), rise=0.5)), seen(ramp(0, 600, -0.6))) == []


def test_bad_readings_are_no_part_of_the_trend() -> None:
    bad = [r._replace(time=r.time + 1, value=900.0) for r in seen(flat(0, 1000, 0))]
    wild = [r._replace(quality=Quality.UNCERTAIN) for r in bad]
    assert run(probe(RISING), seen(flat(0, 1000, 20.0)) + wild) == []


def test_the_window_fills_while_its_while_does_not_hold() -> None:
    made = probe(RISING, while_=(ChannelIs(PUMP, True),))
    events = run(made, seen(ramp(0, 1000, 1.1)) + seen([(0, 0), (703, 1)], PUMP))
    assert told(events) == [(703, "raised", "unacknowledged", True)]


def test_an_alarm_stands_on_over_a_gap_until_the_window_is_filled_again() -> None:
    readings = seen(ramp(0, 600, 1.1) + flat(3000, 3600, 25.0))
    assert told(run(probe(RISING), readings)) == [
        (510, "raised", "unacknowledged", True),
        (3510, "returned", "returned-unacknowledged", False),
    ]


FULL = Forecast(Side.HIGH, 30.0, within=micros(3600), window=micros(WINDOW))


def test_a_forecast_says_when_the_limit_will_be_reached() -> None:
    # 0.01 a second from 20: 30 is reached at 1000 s; judged from 510 s on.
    made = probe(FULL)
    points = [(float(t), 20 + t / 100) for t in range(0, 700, 5)]
    events = run(made, seen(points))
    assert told(events) == [(510, "raised", "unacknowledged", True)]
    assert events[0].message == "25.1 °C, predicted for 1970-01-01 00:17 UTC, limit 30 °C"
    alarm = played(made, seen(points)).state.alarms["rule-0"]
    assert alarm.forecast_at == pytest.approx(micros(1000), abs=micros(0.01))


def test_a_forecast_beyond_its_span_or_away_from_the_limit_is_none() -> None:
    slow = [(float(t), 20 + t / 1000) for t in range(0, 700, 5)]  # reached at 10 000 s
    away = [(float(t), 20 - t / 100) for t in range(0, 700, 5)]
    still = flat(0, 700, 29.9)
    assert [run(probe(FULL), seen(points)) for points in (slow, away, still)] == [[], [], []]
    low = Forecast(Side.LOW, 10.0, within=micros(3600), window=micros(WINDOW))
    assert [e.kind for e in run(probe(low), seen(away))] == ["raised"]


def test_a_value_beyond_the_limit_already_is_predicted_for_now() -> None:
    events = run(probe(FULL), seen(flat(0, 520, 31.0)))
    assert told(events) == [(510, "raised", "unacknowledged", True)]
    assert "predicted for 1970-01-01 00:09 UTC" in events[0].message  # 510 s, to the minute


def test_the_predicted_time_follows_the_trend_and_goes_when_it_returns() -> None:
    made = probe(FULL)
    faster = [(float(t), 20 + t / 200) for t in range(0, 800, 5)]
    faster += [(float(t), 24 + (t - 800) / 500) for t in range(800, 1700, 5)]
    through = played(made, seen(faster))
    alarm = through.state.alarms["rule-0"]
    assert alarm.stands
    assert alarm.forecast_at == pytest.approx(micros(3800), abs=micros(3600 / 20))
    ends = faster + flat(1700, 3000, 20.0)
    assert played(made, seen(ends)).state.alarms["rule-0"].forecast_at is None


def pump(condition: Duty, *, on: float = 0, off: float = 0, every: float | None = None) -> Book:
    made = rule("pump", condition, kind="duty", on_channel=PUMP, on=on, off=off)
    span = None if every is None else micros(every)
    silent = None if span is None else 3 * span
    switch = Channel(PUMP, "switch", expected_every=span, silent_after=silent)
    return book([made], [switch, channel()])


def switched(*points: tuple[float, float]) -> list[Reading]:
    return seen(points, PUMP)


LONG = Duty(micros(3600), on_for=micros(600))


def test_on_for_too_long_is_raised_and_ends_without_a_reading() -> None:
    events = run(pump(LONG), switched((0, 0), (100, 1), (800, 0)), until=9000)
    assert told(events) == [
        (700, "raised", "unacknowledged", True),
        # 700 s on from 100 to 800: at 3800 the first 100 s have left the window.
        (3800, "returned", "returned-unacknowledged", False),
    ]
    assert events[0].message == "on for 600 s in 3600 s, limit 600 s on in 3600 s"


def test_on_times_add_up_within_the_window() -> None:
    points = [(float(t), float(n % 2 == 0)) for n, t in enumerate(range(0, 3000, 200))]
    events = run(pump(LONG), switched(*points), until=1001)
    assert told(events) == [(1000, "raised", "unacknowledged", True)]  # 200 s each from 0, 400, 800


def test_delays_count_from_the_moment_the_limit_was_reached() -> None:
    made = pump(LONG, on=60, off=30)
    events = run(made, switched((0, 0), (100, 1), (800, 0)), until=9000)
    assert [seconds(e.time) for e in events] == [760, 3830]


def test_starts_too_often_end_when_the_oldest_leaves_the_window() -> None:
    often = Duty(micros(600), starts=3)
    points = [(0.0, 0.0)]
    for start in (100, 200, 300):
        points += [(float(start), 1.0), (start + 10.0, 0.0)]
    events = run(pump(often), switched(*points), until=5000)
    assert told(events) == [
        (300, "raised", "unacknowledged", True),
        (700, "returned", "returned-unacknowledged", False),
    ]
    assert events[0].message == "3 starts in 600 s, limit 3 starts in 600 s"


def test_a_silent_switch_is_believed_for_a_while_only() -> None:
    made = pump(LONG, every=60)
    quiet = switched(*((float(t), 1.0) for t in range(0, 481, 60)))  # silent after 180 s: at 660
    assert told(run(made, quiet, until=9000)) == [(600, "raised", "unacknowledged", True)]
    silent = switched(*((float(t), 1.0) for t in range(0, 361, 60)))
    assert run(made, silent, until=9000) == []
    # What it did in between nobody knows: 540 s are known to be on, 60 more are missing.
    again = silent + switched(*((float(t), 1.0) for t in range(1200, 1400, 60)))
    assert told(run(made, again, until=1400)) == [(1260, "raised", "unacknowledged", True)]


def test_duty_counts_although_its_while_does_not_hold() -> None:
    made = rule(
        "pump", LONG, kind="duty", on_channel=PUMP, while_=(ChannelIs("hall/power/night", True),)
    )
    channels = [Channel(PUMP, "switch"), Channel("hall/power/night", "switch")]
    night = seen([(0, 0), (900, 1)], "hall/power/night")
    events = run(book([made], channels), switched((0, 0), (100, 1)) + night, until=5000)
    assert told(events) == [(900, "raised", "unacknowledged", True)]
    night = seen([(0, 1), (300, 0), (400, 1)], "hall/power/night")
    events = run(book([made], channels), switched((0, 0), (100, 1)) + night, until=5000)
    assert told(events) == [(700, "raised", "unacknowledged", True)]


@pytest.mark.parametrize("restarted", [False, True])
def test_what_a_duty_reached_before_its_while_held_is_not_told_afterwards(restarted: bool) -> None:
    made = rule(
        "pump", LONG, kind="duty", on_channel=PUMP, while_=(ChannelIs("hall/power/night", True),)
    )
    pump_ = Channel(PUMP, "switch", expected_every=micros(300), silent_after=micros(900))
    engine = EngineRun(book([made], [pump_, Channel("hall/power/night", "switch")]), 0)
    # On from 0 and silent: 600 s are reached by day; at night nobody knows any longer.
    feed([engine], switched((0, 1)) + seen([(1000, 1)], "hall/power/night"), [], micros(1000))
    if restarted:
        engine.restart(micros(1100))
    engine.advance(micros(5000))
    assert engine.events == []


def played(made: Book, readings: list[Reading]) -> EngineRun:
    engine = EngineRun(made, readings[0].time)
    feed([engine], readings, [], readings[-1].time)
    return engine


@pytest.mark.parametrize("stop", [100, 505, 600, 900, 1500])
def test_a_restart_forgets_nothing_of_the_windows(stop: int) -> None:
    rules = [
        rule("rate", RISING, kind="rate-of-change"),
        rule("full", replace(FULL, limit=22.0), kind="forecast"),
        rule("high", Absolute(Side.HIGH, 21.5)),
        rule("pump", LONG, kind="duty", on_channel=PUMP),
        rule("often", Duty(micros(600), starts=3), kind="duty", on_channel=PUMP),
    ]
    made = book(rules, [channel(every=5), Channel(PUMP, "switch")])
    points = ramp(0, 1000, 1.1) + flat(1000, 2000, 21.7)
    switching = [(50.0 * n, float(n % 3 == 0)) for n in range(40)]
    readings = sorted(seen(points) + switched(*switching), key=lambda r: r.time)
    through, broken = (EngineRun(made, 0) for _ in range(2))
    feed([through, broken], [r for r in readings if r.time <= micros(stop)], [], micros(stop))
    broken.restart(micros(stop))
    feed([through, broken], [r for r in readings if r.time > micros(stop)], [], micros(9000))
    assert broken.events == through.events
    assert broken.state.alarms == through.state.alarms
    assert {e.rule for e in through.events} == {r.id for r in rules}
    assert set(refill_spans(made)) == {LEVEL, PUMP}


def test_deciding_twice_gives_the_same_and_changes_nothing() -> None:
    made = probe(RISING, FULL, while_=(ChannelIs(PUMP, False),))
    state = played(made, seen(ramp(0, 505, 1.1)) + switched((505, 0))).state
    windows, alarms = dict(state.windows), dict(state.alarms)
    reading = seen([(510, 20.9)])[0]
    one, other = (decide_reading(state, reading, reading.time, made) for _ in range(2))
    assert one.events == other.events
    assert [e.rule for e in one.events] == ["rule-0"]
    assert one.windows == other.windows
    assert state.windows == windows
    assert state.alarms == alarms
    adopt(state, one, made)
    shared = f"{LEVEL} over {RISING.window}"
    assert state.windows[shared] is one.windows[shared]


def test_trends_over_the_same_span_of_a_channel_share_a_window() -> None:
    falling = replace(RISING, rise=None, fall=1.0)
    longer = replace(RISING, window=2 * RISING.window)
    state = played(probe(RISING, falling, longer), seen(ramp(0, 505, 1.1))).state
    assert set(state.windows) == {
        f"{LEVEL} over {RISING.window}",
        f"{LEVEL} over {longer.window}",
    }


def test_fewer_starts_and_then_too_long_come_once_each() -> None:
    # Starts at 10 and 20 leave the window of 50 s at 60; 48 s on of 50 are reached at 68.
    both = Duty(micros(50), on_for=micros(48), starts=2)
    engine = EngineRun(pump(both), 0)
    feed([engine], switched((0, 0), (10, 1), (12, 0), (20, 1)), [], micros(20))
    for _ in range(10):
        engine.step(micros(200))
    assert [(seconds(e.time), e.kind) for e in engine.events] == [
        (20, "raised"),
        (60, "returned"),
        (68, "raised"),
    ]
    assert engine.step(micros(200)) is False
