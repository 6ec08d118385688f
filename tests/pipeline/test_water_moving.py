"""Forecasts against walks whose end is known: how often the interval holds, how often it cries."""

import random

import pytest

from weirwatch.domain.instant import from_rfc3339
from weirwatch.domain.keeper_log import LogEntry
from weirwatch.pipeline.water_days import DAY
from weirwatch.pipeline.water_moving import moving_tests, trend_of

START = 20_000 * DAY


def alkalinities(
    slope: float, noise: float, draw: random.Random, first: float = 9.0
) -> list[LogEntry]:
    return [
        LogEntry(
            START + at * DAY,
            0,
            "test",
            "hall",
            "alkalinity",
            first + slope * at + draw.gauss(0.0, noise),
            "dKH",
        )
        for at in range(0, 30, 2)
    ]


def test_the_interval_of_the_day_holds_the_true_day() -> None:
    """9 dKH falling 0.05 a day is at 7 after 40 days; the interval says 90 % and a little more."""
    draw, held, told = random.Random(8), 0, 0
    for _ in range(200):
        found = moving_tests(alkalinities(-0.05, 0.1, draw), START, START + 30 * DAY)
        if found:
            told += 1
            first, last = (from_rfc3339(found[0][key]) / DAY for key in ("earliest", "latest"))
            held += first <= START / DAY + 40 <= last
    assert told > 190
    assert held / told > 0.88


def test_what_does_not_move_is_rarely_told() -> None:
    draw = random.Random(9)
    told = sum(
        bool(moving_tests(alkalinities(0.0, 0.1, draw, 7.5), START, START + 30 * DAY))
        for _ in range(200)
    )
    assert told / 200 < 0.15  # the interval is one of 90 %


def test_what_is_outside_is_told_as_of_now() -> None:
    (found,) = moving_tests(alkalinities(0.0, 0.01, random.Random(1), 6.5), START, START + 30 * DAY)
    assert (found["limit"], found["at"]) == (7.0, found["earliest"])


def test_four_points_make_no_line_and_two_at_once_count_once() -> None:
    assert trend_of([(float(d), 1.0) for d in range(4)]) is None
    assert trend_of([(0.0, 1.0), (0.0, 2.0), (1.0, 1.0), (2.0, 1.0), (3.0, 1.0)]) is None
    line = trend_of([(float(d), 2.0 * d) for d in range(6)])
    assert line is not None
    assert (line.slope, line.low, line.high, line.last) == pytest.approx((2.0, 2.0, 2.0, 10.0))


def test_a_step_of_long_ago_is_no_slope() -> None:
    draw = random.Random(3)
    entries = [
        LogEntry(
            START + at * DAY,
            0,
            "test",
            "hall",
            "alkalinity",
            (10.0 if at > 60 else 8.0) - 0.01 * at + draw.gauss(0.0, 0.05),
            "dKH",
        )
        for at in range(0, 120, 2)
    ]
    assert moving_tests(entries, START, START + 120 * DAY) == []


def test_rare_tests_are_looked_at_further_back() -> None:
    entries = [
        LogEntry(START + at * DAY, 0, "test", "hall", "nitrate", 10.0 + 0.1 * at, "mg/L")
        for at in range(0, 90, 15)
    ]
    (found,) = moving_tests(entries, START, START + 90 * DAY)
    assert (found["limit"], found["per_day"]) == (20.0, pytest.approx(0.1))
