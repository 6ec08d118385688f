"""A call: how an alarm is told, repeated and passed on until somebody acknowledges it.

Pure: each function takes the call and the time and returns the call after and what to say.
A call begins with an annunciation. Acknowledged by anyone, it falls silent for all; it ends when
the alarm returns, and whoever was told is then told so once.
"""

from dataclasses import dataclass, replace
from enum import StrEnum

from weirwatch.domain.instant import Micros
from weirwatch.domain.routing import Roster

_NOBODY_YET = -1


class Why(StrEnum):
    """What a notice is for."""

    CALL = "call"
    REPEAT = "repeat"
    NEXT = "next"
    CHECK_IN = "check-in-missed"
    RETURNED = "returned"
    DIGEST = "digest"
    FOLD = "fold-in"
    TEST = "test"
    MORNING = "morning"
    DRILL = "drill"  # one begins, or is over


@dataclass(frozen=True, slots=True)
class Call:
    """Where the telling of one alarm stands. All times are service time.

    Attributes:
        rule: whose alarm it is.
        roster: id of the roster that serves it.
        seq: the annunciated event's sequence number.
        step: place in the roster's order; -1: nobody yet; its length: everybody was called.
        said: how often something was said; numbers the notices.
        span: until the next repeat.
        repeat_at: when the person called is told again; None: not.
        next_at: when the next person is called; None: not.
        check_in_at: when somebody on the way promised to report.
        told: whoever has had a notice.
    """

    rule: str
    roster: str
    seq: int
    step: int = _NOBODY_YET
    said: int = 0
    span: Micros = 0
    repeat_at: Micros | None = None
    next_at: Micros | None = None
    check_in_at: Micros | None = None
    told: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Say:
    """Something to be told now.

    Attributes:
        number: of the notice within its event.
        to: recipients as the roster names them, before anyone stands in.
    """

    why: Why
    seq: int
    number: int
    to: tuple[str, ...]


def begin(call: Call, roster: Roster, now: Micros, quiet_until: Micros | None) -> "Turned":
    """Begin the call, or hold it back until the quiet hours end."""
    if quiet_until is not None:
        return Turned(replace(call, next_at=quiet_until), None)
    return _next_person(call, roster, now, Why.CALL)


def due_at(call: Call) -> Micros | None:
    """Return when the call wants to be looked at, or None."""
    times = (call.repeat_at, call.next_at, call.check_in_at)
    return min((time for time in times if time is not None), default=None)


def due(call: Call, roster: Roster, now: Micros, quiet_until: Micros | None) -> "Turned":
    """Do what is due by `now`: one thing at most, so that an outage is not followed by a burst."""
    if call.check_in_at is not None and call.check_in_at <= now:
        return _next_person(replace(call, check_in_at=None), roster, now, Why.CHECK_IN)
    if quiet_until is not None:
        return Turned(_postponed(call, now, quiet_until), None)
    if call.next_at is not None and call.next_at <= now:
        why = Why.CALL if call.step == _NOBODY_YET else Why.NEXT
        return _next_person(call, roster, now, why)
    if call.repeat_at is not None and call.repeat_at <= now:
        return _again(call, roster, now)
    return Turned(call, None)


def silenced(call: Call, check_in_at: Micros | None) -> Call:
    """Return the call after the alarm was acknowledged, shelved, suppressed or taken out."""
    return replace(call, repeat_at=None, next_at=None, check_in_at=check_in_at)


def resumed(call: Call, roster: Roster, now: Micros) -> Call:
    """Return the call of an alarm that was suppressed, still stands and was not acknowledged."""
    if call.step == _NOBODY_YET:
        return replace(call, next_at=now)
    more = roster.next_after > 0 and call.step < len(roster.call) and len(roster.call) > 1
    return replace(
        call,
        span=roster.repeat,
        repeat_at=now + roster.repeat if roster.repeat > 0 else None,
        next_at=now + roster.next_after if more else None,
    )


@dataclass(frozen=True, slots=True)
class Turned:
    """The call after a turn, and what is to be said; None: nothing."""

    call: Call
    say: Say | None


def _next_person(call: Call, roster: Roster, now: Micros, why: Why) -> Turned:
    last = len(roster.call)
    if call.step >= last:
        return _again(replace(call, next_at=None), roster, now, why)
    step = call.step + 1
    more = roster.next_after > 0 and step < last and last > 1
    hushed = why is Why.CHECK_IN or (why is Why.NEXT and call.repeat_at is None)
    repeats = roster.repeat > 0 and not hushed
    span = roster.repeat if step < last else call.span  # everybody: no sooner than before
    after = replace(
        call,
        step=step,
        span=span,
        repeat_at=now + span if repeats else None,
        next_at=now + roster.next_after if more else None,
    )
    to = _people(roster, step)
    return _said(after, why, to + roster.also if step == 0 else to)


def _again(call: Call, roster: Roster, now: Micros, why: Why = Why.REPEAT) -> Turned:
    span = min(2 * call.span, max(roster.repeat, roster.repeat_longest))
    repeats = why is Why.REPEAT and roster.repeat > 0
    after = replace(call, span=span, repeat_at=now + span if repeats else None)
    return _said(after, why, _people(roster, call.step))


def _people(roster: Roster, step: int) -> tuple[str, ...]:
    return (roster.call[step],) if step < len(roster.call) else roster.call


def _said(call: Call, why: Why, to: tuple[str, ...]) -> Turned:
    return Turned(replace(call, said=call.said + 1), Say(why, call.seq, call.said, to))


def _postponed(call: Call, now: Micros, until: Micros) -> Call:
    def later(time: Micros | None) -> Micros | None:
        return until if time is not None and time <= now else time

    return replace(call, repeat_at=later(call.repeat_at), next_at=later(call.next_at))
