"""Is a rule's condition present at a moment? One function per rule kind, before delays.

Each takes the turn, the rule's entry, the answer of before and the time; values are compared
with limits in `domain.hysteresis` only.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from weirwatch.domain.book import Entry
from weirwatch.domain.daytime import holds_at
from weirwatch.domain.duty import DutyWindow
from weirwatch.domain.hysteresis import (
    beyond,
    change_present,
    condition_present,
    expectation_unmet,
    reached_in,
)
from weirwatch.domain.instant import Micros
from weirwatch.domain.liveness import OUTSIDE_VALID
from weirwatch.domain.reading import Quality
from weirwatch.domain.rule import (
    Absolute,
    AlarmStands,
    BadMeasurement,
    Between,
    BuiltIn,
    ChannelBeyond,
    ChannelIs,
    Deviation,
    Discrepancy,
    Duty,
    Forecast,
    RateOfChange,
    Side,
    SwitchIs,
)
from weirwatch.domain.state import Observed
from weirwatch.domain.turn import Turn
from weirwatch.domain.windows import duty_of, forecast_of, keep_up, slope_of, trend_of

FORECAST_STEPS = 20  # a prediction is told anew when it moved by more than within / 20

Evaluator = Callable[[Turn, Entry, bool, Micros], bool]


def present_now(turn: Turn, entry: Entry, was: bool, time: Micros) -> bool:
    """Return whether the rule's condition is present, all of its `while` included."""
    if entry.rule.while_ and not all_hold(turn, entry, time):
        if isinstance(entry.rule.condition, Duty):
            _judged(turn, entry, time)
        elif entry.looks_back:
            keep_up(turn, entry)
        return False
    return _EVALUATORS[type(entry.rule.condition)](turn, entry, was, time)


def all_hold(turn: Turn, entry: Entry, time: Micros) -> bool:
    """Return whether every term of the rule's `while` holds."""
    for term in entry.rule.while_:  # noqa: SIM110 - asked at every reading; a generator costs
        if not _HOLDS[type(term)](turn, term, time):
            return False
    return True


def shows_saturation(turn: Turn, entry: Entry) -> bool:
    """Return whether a bold rule's channel reads an impossible value on the alarm's side.

    Fail to alarm: a burst hose looks like an impossible value.
    """
    condition = entry.rule.condition
    if not entry.rule.bold or not isinstance(condition, Absolute):
        return False
    observed = turn.observed(entry.rule.channel or "")
    return (
        observed is not None
        and observed.quality is Quality.BAD
        and observed.reason == OUTSIDE_VALID
        and condition_present(condition.side, condition.limit, 0.0, False, observed.value)
    )


def silence_base(turn: Turn, entry: Entry) -> Micros | None:
    """Return since when the rule's channel has been silent, or None while nobody can tell.

    The latest of last arrival, service start and broker reconnection.
    """
    link = turn.link_up_at()
    if link is None or entry.rule.channel is None:
        return None
    observed = turn.observed(entry.rule.channel)
    heard = observed.heard_at if observed is not None else turn.state.started_at
    return max(heard, link, turn.state.started_at)


def _absolute(turn: Turn, entry: Entry, was: bool, _time: Micros) -> bool:
    condition: Any = entry.rule.condition
    observed = turn.observed(entry.rule.channel or "")
    if observed is None:
        return was
    if entry.rule.bold and shows_saturation(turn, entry):
        return True
    if observed.good_value is None or (was and observed.quality is not Quality.GOOD):
        return was  # a doubtful reading does not clear what an impossible one raised
    return condition_present(
        condition.side, condition.limit, condition.deadband, was, observed.good_value
    )


def _switch(turn: Turn, entry: Entry, was: bool, _time: Micros) -> bool:
    condition: Any = entry.rule.condition
    observed = turn.observed(entry.rule.channel or "")
    if observed is None or observed.good_value is None:
        return was
    return (observed.good_value != 0.0) is condition.value


def _deviation(turn: Turn, entry: Entry, was: bool, _time: Micros) -> bool:
    condition: Any = entry.rule.condition
    observed = turn.observed(entry.rule.channel or "")
    reference = condition.set_value
    if condition.twin is not None:
        twin = turn.observed(condition.twin)
        reference = None if twin is None else twin.good_value
    if observed is None or observed.good_value is None or reference is None:
        return was
    distance = abs(observed.good_value - reference)
    return condition_present(Side.HIGH, condition.limit, condition.deadband, was, distance)


def _discrepancy(turn: Turn, entry: Entry, was: bool, _time: Micros) -> bool:
    observed = turn.observed(entry.rule.channel or "")
    if observed is None or observed.good_value is None:
        # Nothing seen: for a contact that reports on change only, that is "not seen".
        return entry.silent_after is None
    condition: Any = entry.rule.condition
    return expectation_unmet(condition, was, observed.good_value)


def _bad_measurement(turn: Turn, entry: Entry, was: bool, _time: Micros) -> bool:
    condition: Any = entry.rule.condition
    observed = turn.observed(entry.rule.channel or "")
    if condition.silent and _silent(turn, entry, observed, was):
        return True
    if observed is None:
        return False
    if condition.outside_valid and observed.reason == OUTSIDE_VALID:
        return True
    return condition.frozen is not None and observed.time - observed.changed_at >= condition.frozen


def _silent(turn: Turn, entry: Entry, observed: Observed | None, was: bool) -> bool:
    span, time = entry.silent_after, turn.clock
    if span is None:
        return False
    base = silence_base(turn, entry)
    if base is not None and time - base >= span:
        return True
    # What stands goes on standing over a reconnection or a restart until something is heard.
    stands = was and turn.alarm(entry.rule.id).stands
    return stands and (observed is None or time - observed.heard_at >= span)


def _rate_of_change(turn: Turn, entry: Entry, was: bool, _time: Micros) -> bool:
    condition: Any = entry.rule.condition
    slope = slope_of(turn, entry)
    return was if slope is None else change_present(condition, was, slope * condition.window)


def _duty(turn: Turn, entry: Entry, was: bool, time: Micros) -> bool:
    duty = _judged(turn, entry, time)
    if duty is None or duty.stale(time):
        return was
    return duty.exceeded(time)


def _judged(turn: Turn, entry: Entry, time: Micros) -> DutyWindow | None:
    """Return a duty's window as looked at: what came before it comes no more."""
    duty = duty_of(turn, entry)
    if duty is not None:
        turn.set_window(entry.window, duty.judged_at(time))
        if time < duty.judged:  # what lies between may come after all, sooner than is planned
            turn.plan(entry.rule.id)
    return duty


def _forecast(turn: Turn, entry: Entry, was: bool, _time: Micros) -> bool:
    condition: Any = entry.rule.condition
    trend = trend_of(turn, entry)
    if trend is None:
        return was
    if reached_in(condition, trend.level, trend.slope) is None:
        return False
    _keep_forecast(turn, entry, condition)
    return True


def _keep_forecast(turn: Turn, entry: Entry, condition: Forecast) -> None:
    """Bring the predicted time of a standing alarm up to date, when it has moved enough."""
    alarm, at = turn.alarm(entry.rule.id), forecast_of(turn, entry)
    if not alarm.stands or at is None:
        return
    known = alarm.forecast_at
    if known is None or abs(at - known) > condition.within // FORECAST_STEPS:
        turn.put(replace(alarm, forecast_at=at))


def _built_in(turn: Turn, entry: Entry, _was: bool, _time: Micros) -> bool:
    return turn.condition(entry.rule.id) is not None


_EVALUATORS: dict[type, Evaluator] = {
    Absolute: _absolute,
    SwitchIs: _switch,
    Deviation: _deviation,
    Discrepancy: _discrepancy,
    BadMeasurement: _bad_measurement,
    RateOfChange: _rate_of_change,
    Duty: _duty,
    Forecast: _forecast,
    BuiltIn: _built_in,
}


def _channel_is(turn: Turn, term: ChannelIs, _time: Micros) -> bool:
    observed = turn.observed(term.channel)
    if observed is None or observed.good_value is None:
        return False
    return (observed.good_value != 0.0) is term.value


def _channel_beyond(turn: Turn, term: ChannelBeyond, _time: Micros) -> bool:
    observed = turn.observed(term.channel)
    if observed is None or observed.good_value is None:
        return False
    return beyond(term.side, term.limit, observed.good_value)


def _alarm_stands(turn: Turn, term: AlarmStands, _time: Micros) -> bool:
    return turn.alarm(term.rule).stands


def _between(turn: Turn, term: Between, time: Micros) -> bool:
    return holds_at(term, time, turn.book.time_zone)


_HOLDS: dict[type, Callable[[Turn, Any, Micros], bool]] = {
    ChannelIs: _channel_is,
    ChannelBeyond: _channel_beyond,
    AlarmStands: _alarm_stands,
    Between: _between,
}
