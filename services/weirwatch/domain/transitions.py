"""What a raise, a return or a release does to an alarm, to its consequences and to its watchers.

Suppression by design: a cause stands while its condition is present after its delays, whatever
its own service state. While it stands, and for the consequence's hold-off after, consequences
change state as ever but are not announced.
"""

from collections.abc import Callable
from dataclasses import replace

from weirwatch.domain.alarm import Alarm, AlarmState, ServiceState
from weirwatch.domain.book import Entry
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.lifecycle import ServiceSignal, Signal, next_service_state, next_state
from weirwatch.domain.rule import BuiltIn
from weirwatch.domain.turn import Turn
from weirwatch.domain.windows import forecast_of, measured
from weirwatch.domain.wording import sentence

LATE_HOLD: Micros = 10 * SECOND  # a backlog that has not caught up by then is announced anyway

Reconsider = Callable[[Turn, Entry, Micros], None]


def raise_alarm(
    turn: Turn, entry: Entry, time: Micros, reconsider: Reconsider, *, lost: bool
) -> None:
    """Raise the rule's alarm at `time`; the condition has outlived its on-delay."""
    rule = entry.rule
    before = turn.alarm(rule.id)
    in_service = before.service_state is ServiceState.IN_SERVICE
    # A raise inside a backlog waits: if it returns inside it too, nobody need be woken.
    held = turn.late and in_service and not rule.bold
    announced = in_service and not held
    observed = turn.observed(rule.channel) if rule.channel else None
    after = replace(
        before,
        state=next_state(rule.id, before.state, Signal.RAISE),
        present=True,
        count_since=None,
        raised_at=time,
        returned_at=None,
        acknowledged_at=None,
        acknowledged_by="",
        check_in_at=None,
        raised_value=observed.value if observed is not None else None,
        announced=announced,
        heard=before.heard or announced,
        hold_until=turn.now + LATE_HOLD if held else None,
        first_out=_comes_first(turn, entry),
        message=_message(turn, entry, time, lost=lost),
        forecast_at=forecast_of(turn, entry),
    )
    turn.record(entry, before, after, time, "raised", annunciated=announced)
    for consequence in entry.consequences:
        _suppress(turn, turn.book.entries[consequence], time)
    _tell_watchers(turn, entry, time, reconsider)


def return_alarm(turn: Turn, entry: Entry, time: Micros, reconsider: Reconsider) -> None:
    """Return the rule's alarm at `time`; its condition has been gone for the off-delay."""
    rule = entry.rule
    before = turn.alarm(rule.id)
    after = replace(
        before,
        state=next_state(rule.id, before.state, _return_signal(entry, before)),
        present=False,
        count_since=None,
        returned_at=time,
        announced=False,
        hold_until=None,
        check_in_at=None,
        forecast_at=None,
    )
    if before.one_shot and before.service_state is ServiceState.SHELVED:
        after = into_service(turn, entry, after, ServiceSignal.UNSHELVE, time)
    turn.record(entry, before, after, time, "returned", message="")
    for consequence in entry.consequences:
        _cause_returned(turn, turn.book.entries[consequence], time)
    _tell_watchers(turn, entry, time, reconsider)


def into_service(
    turn: Turn, entry: Entry, alarm: Alarm, signal: ServiceSignal, time: Micros
) -> Alarm:
    """Return the alarm back in service, or suppressed if a cause stands or its hold-off runs."""
    service = next_service_state(entry.rule.id, alarm.service_state, signal)
    gone_at = None
    if signal is not ServiceSignal.CAUSES_GONE:
        suppressed, gone_at = suppression(turn, entry, time)
        if suppressed:
            service = next_service_state(entry.rule.id, service, ServiceSignal.CAUSE_STANDS)
    return replace(
        alarm,
        service_state=service,
        shelved_until=None,
        one_shot=False,
        out_until=None,
        causes_gone_at=gone_at,
    )


def announce_if_owed(alarm: Alarm) -> tuple[Alarm, bool]:
    """Return the alarm and whether it is to be announced now: stands, in service, never told."""
    owed = (
        alarm.state is AlarmState.UNACKNOWLEDGED
        and alarm.service_state is ServiceState.IN_SERVICE
        and not alarm.announced
    )
    if not owed:
        return alarm, False
    return replace(alarm, announced=True, heard=True, hold_until=None), True


def release(turn: Turn, entry: Entry, time: Micros) -> None:
    """End the suppression of a consequence; one that still stands is announced now."""
    before = turn.alarm(entry.rule.id)
    after = into_service(turn, entry, before, ServiceSignal.CAUSES_GONE, time)
    after, owed = announce_if_owed(after)
    turn.record(entry, before, after, time, "released", annunciated=owed)


def suppression(turn: Turn, entry: Entry, time: Micros) -> tuple[bool, Micros | None]:
    """Return whether a cause suppresses the rule now, and since when the hold-off runs."""
    if entry.rule.bold:
        return False, None
    causes = _causes(turn, entry)
    if any(cause.stands for cause in causes):
        return True, None
    last = max((c.returned_at for c in causes if c.returned_at is not None), default=None)
    if last is not None and last + entry.rule.hold_off > time:
        return True, last
    return False, None


def _causes(turn: Turn, entry: Entry) -> list[Alarm]:
    return [turn.alarm(c) for c in entry.rule.suppressed_by if c in turn.book.entries]


def _comes_first(turn: Turn, entry: Entry) -> bool:
    """Return whether no other alarm of the rule's group stands."""
    group = entry.rule.first_out
    return group is not None and not any(
        turn.alarm(other.rule.id).stands
        for other in turn.book.entries.values()
        if other.rule.first_out == group and other is not entry
    )


def _return_signal(entry: Entry, alarm: Alarm) -> Signal:
    if entry.rule.latching:
        return Signal.RETURN_LATCHING
    if alarm.state is AlarmState.UNACKNOWLEDGED and not alarm.heard:
        return Signal.RETURN_UNANNOUNCED
    return Signal.RETURN


def _suppress(turn: Turn, entry: Entry, time: Micros) -> None:
    before = turn.alarm(entry.rule.id)
    if before.service_state is ServiceState.IN_SERVICE:
        service = next_service_state(
            entry.rule.id, before.service_state, ServiceSignal.CAUSE_STANDS
        )
        after = replace(before, service_state=service, causes_gone_at=None, hold_until=None)
        turn.record(entry, before, after, time, "suppressed", message="")
    elif before.causes_gone_at is not None:
        turn.put(replace(before, causes_gone_at=None))


def _cause_returned(turn: Turn, entry: Entry, time: Micros) -> None:
    alarm = turn.alarm(entry.rule.id)
    if alarm.service_state is not ServiceState.SUPPRESSED_BY_DESIGN:
        return
    suppressed, gone_at = suppression(turn, entry, time)
    if not suppressed:
        release(turn, entry, time)
    elif gone_at is not None:
        turn.put(replace(alarm, causes_gone_at=gone_at))


def _tell_watchers(turn: Turn, entry: Entry, time: Micros, reconsider: Reconsider) -> None:
    for watcher in entry.watchers:
        reconsider(turn, turn.book.entries[watcher], time)


def _message(turn: Turn, entry: Entry, time: Micros, *, lost: bool) -> str:
    if isinstance(entry.rule.condition, BuiltIn):
        return turn.condition(entry.rule.id) or entry.rule.title
    observed = turn.observed(entry.rule.channel) if entry.rule.channel else None
    return sentence(entry, observed, time, lost=lost, measured=measured(turn, entry, time))
