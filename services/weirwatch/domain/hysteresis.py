"""Is the condition present? The only place where a value is compared with a limit.

Limits and deadbands after ANSI/ISA-18.2 (IEC 62682): a high condition becomes present at
value ≥ limit and ceases at value ≤ limit − deadband (with deadband 0: only at value < limit);
a low one is mirrored; in between it stays as it was.
"""

from math import inf, nextafter

from weirwatch.domain.rule import Absolute, BadMeasurement, Condition, Discrepancy, Side, SwitchIs


def condition_present(
    side: Side, limit: float, deadband: float, was_present: bool, value: float
) -> bool:
    """Return whether a value beyond its limit is present, given whether it was before.

    Args:
        side: HIGH or LOW: which side of the limit is abnormal.
        limit: in the value's unit.
        deadband: in the value's unit, ≥ 0.
        was_present: the answer of the reading before; False at the start.
        value: finite, never NaN.
    """
    if side is Side.HIGH:
        return value >= limit or (was_present and value > limit - deadband)
    return value <= limit or (was_present and value < limit + deadband)


def expectation_unmet(condition: Discrepancy, was_unmet: bool, value: float) -> bool:
    """Return whether a value fails what is expected of it.

    A value equal to `minimum` or `maximum` meets the expectation; once unmet, it is met again
    only `deadband` inside.
    """
    if condition.expected is not None:
        return (value != 0.0) is not condition.expected
    band = condition.deadband if was_unmet else 0.0
    too_low = condition.minimum is not None and value < condition.minimum + band
    too_high = condition.maximum is not None and value > condition.maximum - band
    return too_low or too_high


def beyond(side: Side, limit: float, value: float) -> bool:
    """Return whether a value is strictly above (HIGH) or below (LOW) a limit; for `while`."""
    return value > limit if side is Side.HIGH else value < limit


def quiet_bounds(condition: Condition) -> tuple[float, float] | None:
    """Return bounds strictly between which a good value leaves an absent condition absent.

    None when the kind has none. Lets a reading of ordinary life pass without evaluating its
    rules one by one; a test holds it against `condition_present` and `expectation_unmet`.
    """
    match condition:
        case Absolute(Side.HIGH, limit):
            return -inf, limit
        case Absolute(Side.LOW, limit):
            return limit, inf
        case SwitchIs(value):
            return _switch_bounds(not value)
        case Discrepancy(_, expected) if expected is not None:
            return _switch_bounds(expected)
        case Discrepancy(_, _, minimum, maximum):
            return (-inf if minimum is None else minimum, inf if maximum is None else maximum)
        case BadMeasurement(_, None):
            return -inf, inf
        case _:
            return None


def _switch_bounds(on: bool) -> tuple[float, float]:
    return (0.0, inf) if on else (nextafter(0.0, -1.0), nextafter(0.0, 1.0))
