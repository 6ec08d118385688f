"""What is an alarm after a loss of power, or after its rule was edited?

After a restart every alarm is what it was, acknowledgements included; delays that were pending
start again at the first good reading; a standing alarm stays until fresh good readings prove
otherwise. A rule edited while its alarm stands is judged anew; a deleted one is closed on record.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from weirwatch.domain.alarm import Alarm, AlarmState, Event, ServiceState
from weirwatch.domain.book import Book, Entry, rule_mark
from weirwatch.domain.instant import Micros
from weirwatch.domain.rule import BadMeasurement


@dataclass(frozen=True, slots=True)
class Resumed:
    """The alarms to go on with.

    Attributes:
        alarms: by rule, one for every rule of the book that had one.
        changed: those to be stored again: they differ, or their rule does.
        closed: rules that no longer exist, to be forgotten.
        events: for the record.
    """

    alarms: Mapping[str, Alarm]
    changed: Mapping[str, Alarm]
    closed: tuple[str, ...]
    events: tuple[Event, ...]


def resume(
    stored: Mapping[str, Alarm], marks: Mapping[str, str], book: Book, now: Micros
) -> Resumed:
    """Return the alarms after a restart at `now`.

    Args:
        stored: alarms as last committed, by rule.
        marks: `rule_mark` of the rule each was judged by.
        book: the rules of this run.
        now: engine time of the start.
    """
    alarms: dict[str, Alarm] = {}
    events: list[Event] = []
    for rule, alarm in stored.items():
        entry = book.entries.get(rule)
        if entry is None:
            continue
        resumed = _without_pending(alarm, entry)
        if marks.get(rule, rule_mark(entry.rule)) != rule_mark(entry.rule):
            resumed = replace(resumed, present=False)
            if alarm.state is not AlarmState.NORMAL:
                events.append(_event(alarm, now, "limits-changed", alarm.state))
        alarms[rule] = resumed
    for rule in alarms:
        alarms[rule] = _suppression_again(rule, alarms, book, now)
    closed = tuple(rule for rule in stored if rule not in book.entries)
    events += [_closing(stored[rule], now) for rule in closed]
    changed = {
        rule: alarm
        for rule, alarm in alarms.items()
        if alarm != stored[rule] or marks.get(rule) != rule_mark(book.entries[rule].rule)
    }
    return Resumed(alarms, changed, closed, tuple(events))


def _without_pending(alarm: Alarm, entry: Entry) -> Alarm:
    """Return the alarm without the delay that was running: it starts again.

    Silence is counted from this start on: nothing but the silence itself would raise it again.
    """
    if isinstance(entry.rule.condition, BadMeasurement) and not alarm.stands:
        return replace(alarm, present=False, count_since=None)
    return replace(alarm, count_since=None)


def _suppression_again(rule: str, alarms: Mapping[str, Alarm], book: Book, now: Micros) -> Alarm:
    """Return the alarm with its suppression as the rules of this run have it."""
    alarm, entry = alarms[rule], book.entries[rule]
    stands = not entry.rule.bold and _any_stands(entry.rule.suppressed_by, alarms)
    if alarm.service_state is ServiceState.IN_SERVICE and stands:
        return replace(alarm, service_state=ServiceState.SUPPRESSED_BY_DESIGN)
    suppressed = alarm.service_state is ServiceState.SUPPRESSED_BY_DESIGN
    if suppressed and not stands and alarm.causes_gone_at is None:
        return replace(alarm, causes_gone_at=now)
    return alarm


def _any_stands(causes: Iterable[str], alarms: Mapping[str, Alarm]) -> bool:
    return any(cause in alarms and alarms[cause].stands for cause in causes)


def _closing(alarm: Alarm, now: Micros) -> Event:
    return _event(alarm, now, "rule-deleted", AlarmState.NORMAL)


def _event(alarm: Alarm, now: Micros, kind: str, to_state: AlarmState) -> Event:
    return Event(
        time=now,
        kind=kind,
        rule=alarm.rule,
        from_state=alarm.state.value,
        to_state=to_state.value,
        service_from=alarm.service_state.value,
        service_to=alarm.service_state.value,
        value=alarm.value,
    )
