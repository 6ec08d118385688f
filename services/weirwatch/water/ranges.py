"""Range checks: the one way the water functions refuse input they are not valid for."""

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
