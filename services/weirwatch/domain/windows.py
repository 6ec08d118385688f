"""The window that a rule looks back over: which kinds keep one, and how it is brought up to date.

Windows are never changed: a decision carries the new one, and it is adopted with the decision.
They are not stored; `domain.refill` makes them anew from the record after a start.
"""

from weirwatch.domain.book import Entry
from weirwatch.domain.daytime import local_minute
from weirwatch.domain.duty import DutyWindow
from weirwatch.domain.hysteresis import reached_in
from weirwatch.domain.instant import Micros, seconds
from weirwatch.domain.rule import Duty, Forecast, RateOfChange
from weirwatch.domain.trend import Trend, TrendWindows, empty_trend
from weirwatch.domain.turn import Turn
from weirwatch.domain.wording import amount

Window = TrendWindows | DutyWindow


def empty_window(entry: Entry) -> Window | None:
    """Return an empty window for the rule, or None if its kind looks at the newest value only."""
    condition = entry.rule.condition
    match condition:
        case RateOfChange() | Forecast():
            every = entry.channel.expected_every if entry.channel is not None else None
            return empty_trend(condition.window, every)
        case Duty():
            return DutyWindow(condition, entry.silent_after)
        case _:
            return None


def keep_up(turn: Turn, entry: Entry) -> Window:
    """Return the rule's window with its channel's newest good reading in it."""
    window: Window = turn.window(entry.window)
    observed = turn.observed(entry.rule.channel or "")
    if observed is None or observed.good_time is None or observed.good_value is None:
        return window
    if window.newest is None or observed.good_time > window.newest:
        window = window.after(observed.good_time, observed.good_value)
        turn.set_window(entry.window, window)
        if entry.timed:
            turn.plan(entry.rule.id)
    return window


def trend_of(turn: Turn, entry: Entry) -> Trend | None:
    """Return the rule's trend up to its channel's newest good reading, or None."""
    window = keep_up(turn, entry)
    return window.trend() if isinstance(window, TrendWindows) else None


def slope_of(turn: Turn, entry: Entry) -> float | None:
    """Return the slope of the rule's trend, per microsecond, or None."""
    window = keep_up(turn, entry)
    return window.slope() if isinstance(window, TrendWindows) else None


def duty_of(turn: Turn, entry: Entry) -> DutyWindow | None:
    """Return the rule's duty window up to its channel's newest good reading."""
    window = keep_up(turn, entry)
    return window if isinstance(window, DutyWindow) else None


def forecast_of(turn: Turn, entry: Entry) -> Micros | None:
    """Return when the rule's trend reaches its limit, if it is of kind forecast and does."""
    condition = entry.rule.condition
    if not isinstance(condition, Forecast):
        return None
    window, trend = keep_up(turn, entry), trend_of(turn, entry)
    if trend is None or window.newest is None:
        return None
    span = reached_in(condition, trend.level, trend.slope)
    return None if span is None else window.newest + round(span)


def measured(turn: Turn, entry: Entry, time: Micros) -> str:
    """Return what the rule's window shows at `time`, for people; empty when it has none."""
    condition = entry.rule.condition
    match condition:
        case RateOfChange(window):
            slope = slope_of(turn, entry)
            if slope is None:
                return ""
            change, unit = slope * window, entry.channel.unit if entry.channel else ""
            sign = "−" if change < 0 else "+"
            return f"{sign}{amount(abs(change), unit)} per {seconds(window):g} s"
        case Duty(window, on_for, starts):
            duty = duty_of(turn, entry)
            if duty is None:
                return ""
            on = [] if on_for is None else [f"on for {seconds(duty.on_time(time)):.0f} s"]
            often = [] if starts is None else [f"{duty.count_starts(time)} starts"]
            return f"{' and '.join(on + often)} in {seconds(window):g} s"
        case Forecast():
            at = forecast_of(turn, entry)
            return "" if at is None else f"predicted for {local_minute(at, turn.book.time_zone)}"
        case _:
            return ""
