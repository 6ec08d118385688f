"""Range checks: the one way the water functions refuse input they are not valid for."""

from collections.abc import Sequence
from itertools import pairwise
from math import inf, isfinite


def in_range(name: str, value: float, low: float, high: float, unit: str = "") -> float:
    """Return the value if it lies in low..high, both ends included.

    Raises:
        ValueError: outside the range, or not a number; says argument, value and range.
    """
    if low <= value <= high:
        return value
    suffix = f" {unit}" if unit else ""
    raise ValueError(f"{name} = {value:g}{suffix} is outside {low:g} to {high:g}{suffix}")


def above_zero(name: str, value: float, unit: str = "") -> float:
    """Return the value if it is finite and greater than 0.

    Raises:
        ValueError: zero, negative, infinite or not a number.
    """
    if 0.0 < value < inf:
        return value
    suffix = f" {unit}" if unit else ""
    raise ValueError(f"{name} = {value:g}{suffix} must be greater than 0 and finite")


def not_negative(name: str, value: float, unit: str = "") -> float:
    """Return the value if it is finite and at least 0.

    Raises:
        ValueError: negative, infinite or not a number.
    """
    if 0.0 <= value < inf:
        return value
    suffix = f" {unit}" if unit else ""
    raise ValueError(f"{name} = {value:g}{suffix} must be at least 0 and finite")


def finite(name: str, value: float, unit: str = "") -> float:
    """Return the value if it is a finite number.

    Raises:
        ValueError: infinite or not a number.
    """
    if isfinite(value):
        return value
    suffix = f" {unit}" if unit else ""
    raise ValueError(f"{name} = {value:g}{suffix} is not a finite number")


def rising(name: str, values: Sequence[float], at_least: int) -> Sequence[float]:
    """Return the values if they are finite, each above the one before, and enough.

    Raises:
        ValueError: too few, not finite, or out of order.
    """
    if len(values) < at_least:
        raise ValueError(f"{name} has {len(values)} values: at least {at_least} are needed")
    finite(name, values[0])
    for before, after in pairwise(values):
        if not before < after < inf:
            raise ValueError(f"{name} = {after:g} does not come after {before:g}")
    return values
