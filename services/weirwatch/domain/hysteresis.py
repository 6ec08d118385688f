"""Is the condition present? The only place where a value is compared with a limit.

Limits and deadbands after ANSI/ISA-18.2 (IEC 62682): a high condition becomes present at
value ≥ limit and ceases at value ≤ limit − deadband (with deadband 0: only at value < limit);
a low one is mirrored; in between it stays as it was.
"""

from math import inf, nextafter

from weirwatch.domain.instant import Micros
from weirwatch.domain.rule import (
    Absolute,
    BadMeasurement,
    Condition,
    Discrepancy,
    Duty,
    Forecast,
    RateOfChange,
    Side,
    SwitchIs,
)


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


def change_present(condition: RateOfChange, was_present: bool, change: float) -> bool:
    """Return whether a change per window is beyond `rise` or `fall`; hysteresis on each side."""
    band = condition.deadband
    rises = condition.rise is not None and condition_present(
        Side.HIGH, condition.rise, band, was_present, change
    )
    falls = condition.fall is not None and condition_present(
        Side.HIGH, condition.fall, band, was_present, -change
    )
    return rises or falls


def reached_in(condition: Forecast, level: float, slope: float) -> float | None:
    """Return after how many microseconds the trend reaches the limit; 0 at or beyond it.

    None when it leads away from the limit, or not within `within`.
    """
    if condition_present(condition.side, condition.limit, 0.0, False, level):
        return 0.0
    if not beyond(condition.side, 0.0, slope):
        return None
    span = (condition.limit - level) / slope
    return span if span <= condition.within else None


def on_too_long(condition: Duty, on_time: Micros, soon: Micros) -> bool:
    """Return whether the on-time has reached its limit and is not about to fall below it.

    Args:
        condition: with the limit.
        on_time: within the window, now.
        soon: the same one microsecond later.
    """
    limit = condition.on_for
    return limit is not None and on_time >= limit and soon >= limit


def started_too_often(condition: Duty, starts: int) -> bool:
    """Return whether so many starts within the window reach the limit."""
    return condition.starts is not None and starts >= condition.starts


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
