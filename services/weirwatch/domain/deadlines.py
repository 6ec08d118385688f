"""When does a rule want to be called without a reading, and what happens then?"""

from collections.abc import Iterator
from dataclasses import replace

from weirwatch.domain.alarm import AlarmState, ServiceState
from weirwatch.domain.book import Entry, has_boundaries
from weirwatch.domain.conditions import all_hold, silence_base
from weirwatch.domain.daytime import next_boundary
from weirwatch.domain.delays import count_deadline, count_ended, reconsider, start_again
from weirwatch.domain.evidence import last_boundary
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.lifecycle import ServiceSignal, Signal, next_state
from weirwatch.domain.rule import BadMeasurement, Between, Discrepancy, Duty
from weirwatch.domain.state import Deadline
from weirwatch.domain.transitions import announce_if_owed, into_service, release
from weirwatch.domain.turn import Turn

LATE_AFTER: Micros = 60 * SECOND  # a reading that arrives so long after its own time is late

_SERVICE_ENDS = {
    "shelf": (ServiceSignal.UNSHELVE, "unshelved"),
    "out": (ServiceSignal.RETURN, "returned-to-service"),
}


def next_deadline(turn: Turn, entry: Entry) -> Deadline | None:
    """Return the rule's earliest deadline, or None."""
    return min(_deadlines(turn, entry), default=None)


def deadline_due(turn: Turn, entry: Entry, deadline: Deadline) -> None:
    """Do what is due."""
    match deadline.what:
        case "count":
            count_ended(turn, entry, deadline.at)
        case "silent" | "duty":
            reconsider(turn, entry, deadline.at)
        case "between":
            turn.boundary = (entry.rule.id, deadline.at)
            reconsider(turn, entry, deadline.at)
        case "again":
            start_again(turn, entry, deadline.at)
        case "re-alarm":
            _re_alarm(turn, entry, deadline.at)
        case "announce":
            _announce(turn, entry, deadline.at)
        case "hold-off":
            release(turn, entry, deadline.at)
        case _:
            signal, kind = _SERVICE_ENDS[deadline.what]
            end_service_state(turn, entry, signal, deadline.at, kind)


def own_deadlines(turn: Turn, entry: Entry) -> Iterator[Deadline]:
    """Yield the deadlines that are in the time of the rule's channel: delays, and duty."""
    alarm = turn.alarm(entry.rule.id)
    ends, changes = count_deadline(entry, alarm), None
    if isinstance(entry.rule.condition, Duty):
        changes = turn.window(entry.window).next_change(alarm.present, alarm.moved_at)
        if changes is not None and not _comes(turn, entry, changes):
            changes = None
    # Of a backlog both are due when it arrives: then the earlier one comes first all the same.
    sooner = ends is not None and changes is not None and changes < ends
    if ends is not None:
        yield _own(turn, entry, int(sooner), ends, "count")
    if changes is not None:
        yield _own(turn, entry, int(not sooner), changes, "duty")


def end_service_state(
    turn: Turn,
    entry: Entry,
    signal: ServiceSignal,
    time: Micros,
    kind: str,
    *,
    who: str = "",
    comment: str = "",
) -> None:
    """Bring an alarm back into service; one that still stands is announced now."""
    before = turn.alarm(entry.rule.id)
    after, owed = announce_if_owed(into_service(turn, entry, before, signal, time))
    turn.record(entry, before, after, time, kind, annunciated=owed, who=who, comment=comment)


def _deadlines(turn: Turn, entry: Entry) -> Iterator[Deadline]:
    alarm, rule = turn.alarm(entry.rule.id), entry.rule
    if alarm.count_since is not None or entry.looks_back:
        yield from own_deadlines(turn, entry)
    if entry.goes_on and alarm.present and not alarm.stands and alarm.count_since is None:
        # Only a start leaves it so: the delay was running when the service stopped.
        yield Deadline(turn.state.started_at, 1, turn.state.started_at, "again")
    silent = None if alarm.present else _silent_deadline(turn, entry)
    if silent is not None and _comes(turn, entry, silent):
        yield Deadline(silent, 1, silent, "silent")
    boundary = _boundary(turn, entry) if entry.by_clock else None
    if boundary is not None:
        yield Deadline(boundary, 2, boundary, "between")
    if (
        alarm.state is AlarmState.ACKNOWLEDGED
        and rule.re_alarm
        and alarm.acknowledged_at is not None
    ):
        due = max(alarm.acknowledged_at + rule.re_alarm, alarm.check_in_at or 0)
        yield Deadline(due, 3, due, "re-alarm")
    if alarm.hold_until is not None:
        yield Deadline(alarm.hold_until, 4, alarm.hold_until, "announce")
    yield from _service_deadlines(turn, entry)


def _service_deadlines(turn: Turn, entry: Entry) -> Iterator[Deadline]:
    alarm = turn.alarm(entry.rule.id)
    suppressed = alarm.service_state is ServiceState.SUPPRESSED_BY_DESIGN
    if suppressed and alarm.causes_gone_at is not None:
        due = alarm.causes_gone_at + entry.rule.hold_off
        yield Deadline(due, 5, due, "hold-off")
    if alarm.service_state is ServiceState.SHELVED and alarm.shelved_until is not None:
        yield Deadline(alarm.shelved_until, 6, alarm.shelved_until, "shelf")
    if alarm.service_state is ServiceState.OUT_OF_SERVICE and alarm.out_until is not None:
        yield Deadline(alarm.out_until, 7, alarm.out_until, "out")


def _own(turn: Turn, entry: Entry, order: int, at: Micros, what: str) -> Deadline:
    """Return the deadline; it waits as far behind now as the channel's readings arrive.

    What a backlog brings is due when it arrives, not before.
    """
    observed = turn.observed(entry.rule.channel) if entry.rule.channel else None
    if observed is None or entry.by_arrival:
        return Deadline(at, order, at, what)
    lag = observed.lag
    due = max(at + max(-LATE_AFTER, min(LATE_AFTER, lag)), observed.time + lag)
    return Deadline(due, order, at, what, late=lag > LATE_AFTER)


def _silent_deadline(turn: Turn, entry: Entry) -> Micros | None:
    condition = entry.rule.condition
    if not isinstance(condition, BadMeasurement) or not condition.silent:
        return None
    base = silence_base(turn, entry)
    if base is None or entry.silent_after is None:
        return None
    return base + entry.silent_after


def _boundary(turn: Turn, entry: Entry) -> Micros | None:
    """Return when time alone may change the condition: at the start, then by the time of day."""
    timed = has_boundaries(entry.rule)
    # What is present waits for a fresh reading: the record alone takes nothing back.
    present = turn.alarm(entry.rule.id).present
    if not timed and (present or not _told_before(turn, entry)):
        return None
    done = turn.state.boundaries.get(entry.rule.id)
    if done is None:
        return turn.state.started_at
    terms = [term for term in entry.rule.while_ if isinstance(term, Between)]
    return min((next_boundary(term, done, turn.book.time_zone) for term in terms), default=None)


def _comes(turn: Turn, entry: Entry, time: Micros) -> bool:
    """Return whether what time alone brings is still to be judged, and will count then."""
    gone_by = has_boundaries(entry.rule) and last_boundary(turn, entry, time) != time
    return not gone_by and (not entry.rule.while_ or all_hold(turn, entry, time))


def _told_before(turn: Turn, entry: Entry) -> bool:
    """Return whether a channel that reports on change only has said nothing in this run.

    What it said last still holds, and a contact that is expected and was never seen is amiss; an
    edited rule, or a new one, is judged by that at the start.
    """
    if entry.rule.channel is None or entry.silent_after is not None:
        return False
    observed = turn.observed(entry.rule.channel)
    if observed is None:
        return isinstance(entry.rule.condition, Discrepancy)
    return entry.contact and observed.heard_at < turn.state.started_at


def _re_alarm(turn: Turn, entry: Entry, time: Micros) -> None:
    before = turn.alarm(entry.rule.id)
    after = replace(
        before,
        state=next_state(entry.rule.id, before.state, Signal.RE_ALARM),
        acknowledged_at=None,
        acknowledged_by="",
        check_in_at=None,
        announced=False,
    )
    after, owed = announce_if_owed(after)
    turn.record(entry, before, after, time, "re-alarmed", annunciated=owed)


def _announce(turn: Turn, entry: Entry, time: Micros) -> None:
    before = turn.alarm(entry.rule.id)
    after, owed = announce_if_owed(before)
    if owed:
        turn.record(entry, before, after, time, "announced", annunciated=True)
    else:
        turn.put(replace(before, hold_until=None))
