"""How long a supply lasts: counts, doses or a channel, each against a use that is known."""

import random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from weirwatch.domain.instant import Micros, from_rfc3339
from weirwatch.domain.keeper_log import LogEntry
from weirwatch.pipeline.supplies import DAY, HOUR, Stock, stock_of_channel, stock_of_log
from weirwatch.settings import SupplySettings

NOW: Micros = from_rfc3339("2026-05-15T00:00:00Z")
BOTTLE = SupplySettings("gas-bottle", "Gas bottle", "hall", "kg", size=6.0, count_error=0.05)
SODA = SupplySettings(
    "soda", "Soda", "hall", "L", size=10.0, dose="sodium-carbonate", strength_g_l=80.0
)
TANK = SupplySettings("tank", "Reservoir", "hall", "L", 120.0, channel="x/y/z", per_unit=0.2)


def count(days_ago: float, left: float, before: float | None = None) -> LogEntry:
    time = NOW - round(days_ago * DAY)
    detail: dict[str, Any] = {"before": before}
    return LogEntry(time, time, "supply", "hall", "gas-bottle", left, "kg", detail=detail)


def dose(days_ago: float, grams: float, *, daily: bool = False) -> LogEntry:
    time = NOW - round(days_ago * DAY)
    detail = {"daily": daily, "rises": {}}
    return LogEntry(time, time, "dose", "hall", "sodium-carbonate", grams, "g", detail=detail)


def filled(days_ago: float, litres: float) -> LogEntry:
    time = NOW - round(days_ago * DAY)
    return LogEntry(time, time, "supply", "hall", "soda", litres, "L", detail={"before": None})


def test_two_counts_give_use_and_days_with_the_error_of_the_scales() -> None:
    found = stock_of_log(BOTTLE, [count(20, 5.0), count(0, 4.0)], NOW)
    assert found.per_day == pytest.approx(0.05)
    assert found.per_day_error == pytest.approx(0.05 * 2**0.5 / 20)
    days, least, most = found.days
    assert days == pytest.approx(80.0)
    assert least is not None
    assert most is not None
    assert least < 80.0 < most


def test_what_went_since_the_last_count_is_taken_off() -> None:
    found = stock_of_log(BOTTLE, [count(30, 5.0), count(10, 4.0)], NOW)
    assert found.left == pytest.approx(3.5)
    assert found.left_error is not None
    assert found.left_error > BOTTLE.count_error  # type: ignore[operator]


def test_a_refill_counts_only_with_what_was_left() -> None:
    unsaid = [count(40, 5.0), count(20, 6.0), count(0, 5.0)]
    assert stock_of_log(BOTTLE, unsaid, NOW).per_day == pytest.approx(1.0 / 20)
    said = [count(40, 5.0), count(20, 6.0, before=1.0), count(0, 4.0)]
    assert stock_of_log(BOTTLE, said, NOW).per_day == pytest.approx(6.0 / 40)


def test_one_count_gives_no_use_and_none_gives_nothing() -> None:
    one = stock_of_log(BOTTLE, [count(3, 5.0)], NOW)
    assert (one.left, one.per_day, one.days) == (5.0, None, (None, None, None))
    assert stock_of_log(BOTTLE, [], NOW) == Stock()


def test_nothing_used_lasts_for_ever_and_is_no_error() -> None:
    found = stock_of_log(BOTTLE, [count(20, 5.0), count(0, 5.0)], NOW)
    days, least, most = found.days
    assert (days, most) == (None, None)
    assert least is not None
    assert least > 300


def test_a_daily_dose_empties_the_bottle_as_set() -> None:
    entries = [filled(10, 10.0), dose(30, 40.0, daily=True)]  # 40 g at 80 g/L: half a litre a day
    found = stock_of_log(SODA, entries, NOW)
    assert found.per_day == pytest.approx(0.5)
    assert found.left == pytest.approx(5.0)
    assert found.days[0] == pytest.approx(10.0)
    assert found.per_day_error == pytest.approx(0.05 * 0.5)


def test_single_doses_count_and_a_daily_dose_of_nothing_ends_the_other() -> None:
    entries = [filled(10, 10.0), dose(10, 80.0, daily=True), dose(5, 0.0, daily=True)]
    entries.append(dose(2, 160.0))
    assert stock_of_log(SODA, entries, NOW).left == pytest.approx(10.0 - 5.0 - 2.0)


def test_a_level_is_read_through_noise_and_a_refill() -> None:
    draw = random.Random(5)
    hours: dict[Micros, float] = {}
    level = 500.0  # mm at 0.2 L each: 100 L, and 20 L go in a day
    for hour in range(14 * 24, -1, -1):
        level -= 100.0 / 24.0
        if level < 50.0:
            level = 550.0
        hours[NOW - hour * HOUR] = level + draw.gauss(0.0, 1.0)
    found = stock_of_channel(TANK, hours, NOW)
    assert found.per_day == pytest.approx(20.0, rel=0.03)
    assert found.left == pytest.approx(level * 0.2, abs=1.0)
    days, least, most = found.days
    assert days is not None
    assert least is not None
    assert most is not None
    assert least <= days <= most


def test_a_level_of_too_few_hours_has_no_use() -> None:
    hours = {NOW - hour * HOUR: 400.0 - hour for hour in range(30)}
    found = stock_of_channel(TANK, hours, NOW)
    assert found.left == pytest.approx(80.0)
    assert found.per_day is None
    assert stock_of_channel(TANK, {}, NOW) == Stock()


@given(
    left=st.floats(0, 1e6),
    per_day=st.floats(-10, 1e4),
    errors=st.tuples(st.floats(0, 1e4), st.floats(0, 1e3)),
)
def test_the_interval_holds_the_middle(
    left: float, per_day: float, errors: tuple[float, float]
) -> None:
    days, least, most = Stock(left, errors[0], per_day, errors[1], "counts", NOW).days
    if days is not None:
        assert least is not None
        assert 0.0 <= least <= days
        assert most is None or most >= days * (1 - 1e-9)


@given(st.lists(st.floats(0.01, 0.3), min_size=2, max_size=12))
def test_counts_recover_what_was_used(uses: list[float]) -> None:
    left, entries = 6.0, [count(10.0 * len(uses), 6.0)]
    for at, use in enumerate(uses, start=1):
        left -= use
        entries.append(count(10.0 * (len(uses) - at), left))
    found = stock_of_log(BOTTLE, entries, NOW)
    assert found.per_day == pytest.approx(sum(uses) / (10.0 * len(uses)))
    assert found.left == pytest.approx(left)
