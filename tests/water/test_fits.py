import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from weirwatch.water.fits import (
    running_integral,
    straight_line,
    theil_sen_interval,
    theil_sen_slope,
)

number = st.floats(-1e3, 1e3)
points = st.lists(st.tuples(st.integers(-1000, 1000), number), min_size=3, max_size=20).filter(
    lambda pairs: len({x for x, _ in pairs}) > 2
)


@given(points)
def test_line_is_scipys(pairs: list[tuple[int, float]]) -> None:
    x, y = [float(a) for a, _ in pairs], [b for _, b in pairs]
    ours, theirs = straight_line(x, y), stats.linregress(x, y)
    assert ours.slope == pytest.approx(theirs.slope, rel=1e-6, abs=1e-6)
    assert ours.intercept == pytest.approx(theirs.intercept, rel=1e-6, abs=1e-5)
    if not math.isnan(theirs.stderr):  # rounding of a perfect line
        assert ours.slope_error == pytest.approx(theirs.stderr, rel=1e-5, abs=1e-5)


@given(st.dictionaries(st.integers(-1000, 1000), number, min_size=3, max_size=20))
def test_robust_slope_is_scipys(curve: dict[int, float]) -> None:
    x, y = [float(a) for a in curve], list(curve.values())
    with np.errstate(invalid="ignore"):  # scipy's interval, which we do not compare
        expected = stats.theilslopes(y, x).slope
    assert theil_sen_slope(x, y) == pytest.approx(expected, abs=1e-9)


def test_points_above_each_other_give_no_slope_of_their_own() -> None:
    assert theil_sen_slope([0, 0, 1, 1], [0, 9, 1, 10]) == 1


def test_robust_slope_stays_with_a_wild_point_in_four() -> None:
    assert theil_sen_slope([0, 1, 2, 3, 4, 5, 6, 7], [0, -1, -2, 90, -4, -5, -90, -7]) == -1


def test_residual_is_the_root_mean_square_distance() -> None:
    assert straight_line([0, 1, 2, 3], [1, -1, -1, 1]).residual == pytest.approx(1.0)


@given(points)
def test_integral_is_scipys(pairs: list[tuple[int, float]]) -> None:
    x = sorted({float(a) for a, _ in pairs})
    y = [b for _, b in pairs][: len(x)]
    theirs = integrate.cumulative_trapezoid(y, x, initial=0)
    assert np.allclose(running_integral(x, y), theirs)


def test_no_line_through_one_place_or_two_points() -> None:
    with pytest.raises(ValueError, match="same x"):
        straight_line([1, 1, 1], [1, 2, 3])
    with pytest.raises(ValueError, match="at least 3 points, not 2"):
        straight_line([1, 2], [1, 2])
    with pytest.raises(ValueError, match="same x"):
        theil_sen_slope([1, 1], [1, 2])


def test_the_interval_of_the_robust_slope_is_that_of_scipy() -> None:
    """Reference: scipy.stats.theilslopes, which follows Sen 1968."""
    draw = random.Random(11)
    for n in (5, 9, 30, 120):
        x = [float(i) for i in range(n)]
        y = [0.3 * i + draw.gauss(0.0, 2.0) for i in range(n)]
        for confidence in (0.8, 0.9, 0.95):
            found = stats.theilslopes(y, x, confidence)
            assert theil_sen_interval(x, y, confidence) == pytest.approx(
                (found.low_slope, found.high_slope)
            )


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    draw = random.Random(4)
    x = [float(i) for i in range(20)]
    held = 0
    for _ in range(300):
        low, high = theil_sen_interval(x, [0.1 * i + draw.gauss(0.0, 1.0) for i in x], 0.9)
        held += low <= 0.1 <= high
    assert 0.85 <= held / 300 <= 0.96


@pytest.mark.parametrize("confidence", [0.0, 1.0, -1.0])
def test_a_confidence_is_within_0_and_1(confidence: float) -> None:
    with pytest.raises(ValueError, match="confidence"):
        theil_sen_interval([0.0, 1.0], [0.0, 1.0], confidence)
