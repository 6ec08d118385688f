import pytest
from hypothesis import given
from hypothesis import strategies as st

from weirwatch.domain.hysteresis import (
    beyond,
    condition_present,
    expectation_unmet,
    quiet_bounds,
    reached_in,
)
from weirwatch.domain.rule import Discrepancy, Forecast, Side, SwitchIs

finite = st.floats(-1e6, 1e6)


@pytest.mark.parametrize(
    ("side", "was", "value", "present"),
    [
        (Side.HIGH, False, 9.99, False),
        (Side.HIGH, False, 10.0, True),
        (Side.HIGH, True, 9.0, True),
        (Side.HIGH, False, 9.0, False),
        (Side.HIGH, True, 8.0, False),  # ceases at limit − deadband, equal included
        (Side.HIGH, True, 8.001, True),
        (Side.LOW, False, 10.01, False),
        (Side.LOW, False, 10.0, True),
        (Side.LOW, True, 11.0, True),
        (Side.LOW, True, 12.0, False),
        (Side.LOW, True, 11.999, True),
    ],
)
def test_limit_ten_deadband_two(side: Side, was: bool, value: float, present: bool) -> None:
    assert condition_present(side, 10.0, 2.0, was, value) is present


def test_deadband_zero_ceases_only_below_the_limit() -> None:
    assert condition_present(Side.HIGH, 10.0, 0.0, True, 10.0) is True
    assert condition_present(Side.HIGH, 10.0, 0.0, True, 9.999999) is False
    assert condition_present(Side.LOW, 10.0, 0.0, True, 10.0) is True
    assert condition_present(Side.LOW, 10.0, 0.0, True, 10.000001) is False


@given(finite, st.floats(0, 1e3), st.booleans(), finite)
def test_low_mirrors_high(limit: float, deadband: float, was: bool, value: float) -> None:
    high = condition_present(Side.HIGH, limit, deadband, was, value)
    assert condition_present(Side.LOW, -limit, deadband, was, -value) is high


@given(finite, st.floats(0.001, 1e3), finite)
def test_what_was_present_is_present_wherever_it_would_become_so(
    limit: float, deadband: float, value: float
) -> None:
    if condition_present(Side.HIGH, limit, deadband, False, value):
        assert condition_present(Side.HIGH, limit, deadband, True, value)


def test_expectation_of_a_range_and_of_a_switch() -> None:
    flow = Discrepancy(0, minimum=100.0, maximum=200.0, deadband=5.0)
    assert expectation_unmet(flow, False, 100.0) is False
    assert expectation_unmet(flow, False, 99.9) is True
    assert expectation_unmet(flow, True, 104.9) is True
    assert expectation_unmet(flow, True, 105.0) is False
    assert expectation_unmet(flow, False, 200.1) is True
    switch = Discrepancy(0, expected=True)
    assert expectation_unmet(switch, False, 0.0) is True
    assert expectation_unmet(switch, False, 1.0) is False


def test_beyond_is_strict() -> None:
    assert not beyond(Side.HIGH, 5.0, 5.0)
    assert beyond(Side.HIGH, 5.0, 5.1)
    assert beyond(Side.LOW, 5.0, 4.9)
    assert not beyond(Side.LOW, 5.0, 5.0)


def test_a_trend_reaches_its_limit_within_its_span_the_end_included() -> None:
    full = Forecast(Side.HIGH, 10.0, within=100, window=50)
    assert reached_in(full, 10.0, 0.0) == 0.0  # there already
    assert reached_in(full, 5.0, 0.05) == pytest.approx(100.0)
    assert reached_in(full, 0.0, 0.125) == 80.0
    assert reached_in(full, 2.5, 0.075) == 100.0
    assert reached_in(full, 2.49, 0.075) is None
    assert reached_in(full, 5.0, 0.0) is None
    assert reached_in(full, 5.0, -0.05) is None


@pytest.mark.parametrize(
    ("condition", "quiet", "loud"),
    [
        (SwitchIs(True), 0.0, 1.0),
        (SwitchIs(False), 1.0, 0.0),
        (Discrepancy(0, expected=True), 1.0, 0.0),
        (Discrepancy(0, expected=False), 0.0, 1.0),
    ],
)
def test_a_switch_in_its_ordinary_state_passes_quietly(
    condition: SwitchIs | Discrepancy, quiet: float, loud: float
) -> None:
    bounds = quiet_bounds(condition)
    assert bounds is not None
    assert bounds[0] < quiet < bounds[1]
    assert not bounds[0] < loud < bounds[1]
    assert (bounds[0] < 0.5 < bounds[1]) is (quiet == 1.0)  # whatever is not 0 is on
