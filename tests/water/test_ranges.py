import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from weirwatch.water.ranges import above_zero, finite, in_range, not_negative, rising


def test_message_names_argument_value_unit_and_range() -> None:
    with pytest.raises(ValueError, match=r"^t_degC = 55 °C is outside 0 to 40 °C$"):
        in_range("t_degC", 55.0, 0.0, 40.0, "°C")


@given(st.floats(0, 1))
def test_both_ends_and_everything_between_pass(value: float) -> None:
    assert in_range("x", value, 0.0, 1.0) == value


@pytest.mark.parametrize("value", [-1e-12, 1 + 1e-12, math.nan, math.inf])
def test_just_outside_and_not_a_number_are_refused(value: float) -> None:
    with pytest.raises(ValueError, match=r"^x = "):
        in_range("x", value, 0.0, 1.0)


def test_above_zero_refuses_zero_that_not_negative_takes() -> None:
    assert not_negative("x", 0.0) == 0.0
    with pytest.raises(ValueError, match=r"^x = 0 l must be greater than 0 and finite$"):
        above_zero("x", 0.0, "l")


@pytest.mark.parametrize("check", [above_zero, not_negative, finite])
@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_never_infinite_nor_nan(check: object, value: float) -> None:
    assert callable(check)
    with pytest.raises(ValueError, match="finite"):
        check("x", value, "m")


@pytest.mark.parametrize(
    "values", [[0.0, 1.0], [0.0, 1.0, 1.0], [0.0, 2.0, 1.0], [0.0, 1.0, math.inf]]
)
def test_rising_refuses_too_few_and_out_of_order(values: list[float]) -> None:
    with pytest.raises(ValueError, match=r"^days "):
        rising("days", values, at_least=3)


def test_rising_returns_what_is_in_order() -> None:
    assert rising("days", [0.0, 1.0, 5.0], at_least=3) == [0.0, 1.0, 5.0]
