import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from weirwatch.water.fits import running_integral, straight_line, theil_sen_slope

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
