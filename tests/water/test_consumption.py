import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from weirwatch.water.consumption import (
    Addition,
    HandTest,
    Supply,
    added_until,
    consumption,
    unexplained_steps,
)


def log_of(
    uptake: float,
    additions: list[Addition],
    supplies: list[Supply],
    days: list[float],
    noise: float = 0.0,
    extra: dict[float, float] | None = None,
) -> list[HandTest]:
    """Hand tests of a system that takes up so much; `extra`: additions nobody wrote down."""
    draw = random.Random(11)
    hidden = [Addition(day, amount) for day, amount in (extra or {}).items()]
    return [
        HandTest(
            day,
            8.0
            + added_until(day, additions + hidden, supplies)
            - uptake * day
            + draw.gauss(0, noise),
        )
        for day in days
    ]


@given(st.floats(0, 4), st.lists(st.floats(0, 1), min_size=1, max_size=30), st.floats(0, 2))
def test_consumption_is_found_again_whatever_was_dosed(
    uptake: float, doses: list[float], rate: float
) -> None:
    additions = [Addition(day + 0.5, amount) for day, amount in enumerate(doses)]
    supplies = [Supply(0.0, rate), Supply(7.0, rate / 2)]
    tests = log_of(uptake, additions, supplies, [2.0 * i for i in range(10)])
    found = consumption(tests, additions, supplies)
    assert found.per_day == pytest.approx(uptake, abs=1e-9)
    assert found.tests == 10
    assert found.doubtful == ()


def test_a_hundred_and_twenty_days_in_which_the_reactor_takes_over() -> None:
    # Two-part dosing falls from the whole demand to none, the reactor rises step by step; kits
    # that repeat to 0.1 dKH, every third day.
    uptake = 1.4
    supplies = [Supply(30.0 + 10 * i, 0.14 * (i + 1)) for i in range(9)]
    additions = [
        Addition(day + 0.3, max(0.0, uptake - added_until(day + 1, [], supplies) + added))
        for day in range(120)
        for added in [added_until(day, [], supplies)]
    ]
    tests = log_of(uptake, additions, supplies, [3.0 * i for i in range(41)], noise=0.1)
    found = consumption(tests, additions, supplies)
    assert found.per_day == pytest.approx(uptake, rel=0.05)
    assert abs(found.per_day - uptake) < 4 * found.standard_error
    assert unexplained_steps(tests, found.per_day, additions, supplies) == []


def test_one_wild_test_is_left_out_and_named() -> None:
    tests = log_of(1.0, [], [Supply(0.0, 0.9)], [2.0 * i for i in range(12)], noise=0.05)
    tests[5] = HandTest(tests[5].day, tests[5].value + 3.0)
    found = consumption(tests, [], [Supply(0.0, 0.9)])
    assert found.doubtful == (5,)
    assert found.tests == 11
    assert found.per_day == pytest.approx(1.0, rel=0.05)
    steps = unexplained_steps(tests, found.per_day, [], [Supply(0.0, 0.9)])
    assert [round(step.amount) for step in steps] == [3, -3]


def test_a_dose_nobody_wrote_down_shows_between_its_tests() -> None:
    days = [1.0 * i for i in range(20)]
    tests = log_of(0.8, [], [Supply(0.0, 0.8)], days, noise=0.05, extra={12.4: 1.6})
    steps = unexplained_steps(tests, 0.8, [], [Supply(0.0, 0.8)])
    assert [(step.after_day, step.by_day) for step in steps] == [(12.0, 13.0)]
    assert steps[0].amount == pytest.approx(1.6, abs=0.3)


def test_rising_alkalinity_with_nothing_logged_is_a_negative_consumption() -> None:
    assert consumption([HandTest(0, 7), HandTest(1, 7.2), HandTest(2, 7.4)]).per_day < 0


def test_too_few_good_tests_are_all_kept() -> None:
    tests = [HandTest(0, 8.0), HandTest(1, 12.0), HandTest(2, 7.0)]
    found = consumption(tests, noise=0.01)
    assert (found.tests, found.doubtful) == (3, ())


def test_a_dose_at_the_moment_of_a_test_counts_after_it() -> None:
    assert added_until(2.0, [Addition(1.0, 0.5), Addition(2.0, 0.7)]) == 0.5


def test_supplies_run_from_their_day_until_the_next() -> None:
    supplies = [Supply(1.0, 0.5), Supply(3.0, 0.1)]
    assert added_until(0.5, [], supplies) == 0.0
    assert added_until(2.0, [], supplies) == pytest.approx(0.5)
    assert added_until(5.0, [], supplies) == pytest.approx(1.0 + 0.2)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: consumption([HandTest(0, 8), HandTest(1, 8)]), "day of the tests has 2 values"),
        (
            lambda: consumption([HandTest(0, 8), HandTest(2, 8), HandTest(1, 8)]),
            "day of the tests = 1 does not come after 2",
        ),
        (lambda: unexplained_steps([HandTest(0, 8)], 1.0), "day of the tests has 1 values"),
        (lambda: added_until(1, [], [Supply(2, 1), Supply(1, 1)]), "rising order"),
    ],
)
def test_bad_logs_are_refused(call: object, message: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=message):
        call()
