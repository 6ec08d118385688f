"""What an operator may do to an alarm: acknowledge, shelve, take out of service, reset.

An illegal command raises and changes nothing. Every command carries who and a comment.
"""

from dataclasses import dataclass, replace

from weirwatch.domain.alarm import Alarm, AlarmState, ServiceState
from weirwatch.domain.book import Entry
from weirwatch.domain.deadlines import end_service_state
from weirwatch.domain.errors import IllegalCommand, UnknownRule
from weirwatch.domain.instant import SECOND, Micros, micros
from weirwatch.domain.lifecycle import ServiceSignal, Signal, next_service_state, next_state
from weirwatch.domain.turn import Turn

COMMANDS = (
    "acknowledge",
    "check-in",
    "shelve",
    "unshelve",
    "remove-from-service",
    "return-to-service",
    "reset",
)
_ATTENDING = {
    "acknowledge": (Signal.ACKNOWLEDGE, "acknowledged"),
    "check-in": (Signal.CHECK_IN, "checked-in"),
}
_LONGEST_MINUTES = 366 * 24 * 60


@dataclass(frozen=True, slots=True)
class Command:
    """An operator's command.

    Attributes:
        name: one of `COMMANDS`.
        who: operator, as given by the header or the command line's user.
        minutes: length of a shelving (None: one-shot) or of out-of-service (None: open end).
        check_in_minutes: with acknowledge ("on my way") or check-in: when to hear again.
        remote: address it came from, for the audit; empty: this machine's control socket.
    """

    name: str
    rule: str
    who: str
    comment: str = ""
    minutes: float | None = None
    check_in_minutes: float | None = None
    remote: str = ""


def carry_out(turn: Turn, command: Command, time: Micros) -> None:
    """Carry out one command at `time`.

    Raises:
        UnknownRule: no rule has that id.
        IllegalCommand: the command or the alarm's state does not allow it.
    """
    entry = turn.book.entries.get(command.rule)
    if entry is None:
        raise UnknownRule(f"no rule has the id {command.rule!r}")
    _check_minutes("minutes", command.minutes)
    _check_minutes("check_in_minutes", command.check_in_minutes)
    match command.name:
        case "acknowledge" | "check-in":
            _attend(turn, entry, command, time)
        case "shelve":
            _shelve(turn, entry, command, time)
        case "unshelve":
            _back(turn, entry, command, ServiceSignal.UNSHELVE, time, "unshelved")
        case "remove-from-service":
            _remove(turn, entry, command, time)
        case "return-to-service":
            _back(turn, entry, command, ServiceSignal.RETURN, time, "returned-to-service")
        case "reset":
            _reset(turn, entry, command, time)
        case _:
            raise IllegalCommand(
                f"there is no command {command.name!r}: use one of {', '.join(COMMANDS)}"
            )


def _check_minutes(name: str, minutes: float | None) -> None:
    if minutes is not None and not 0 < minutes <= _LONGEST_MINUTES:
        raise IllegalCommand(f"{name} = {minutes:g}: give more than 0 and at most a year")


def _attend(turn: Turn, entry: Entry, command: Command, time: Micros) -> None:
    """Somebody has seen it, or is heard of again: each renews the promise of a next word."""
    before = turn.alarm(entry.rule.id)
    check_in = command.check_in_minutes
    signal, kind = _ATTENDING[command.name]
    state = next_state(entry.rule.id, before.state, signal)
    stands = state is AlarmState.ACKNOWLEDGED  # of what is over nobody waits for a word
    after = replace(
        before,
        state=state,
        acknowledged_at=time,
        acknowledged_by=command.who,
        check_in_at=time + micros(check_in * 60) if stands and check_in is not None else None,
        heard=False,
        hold_until=None,
    )
    _record(turn, entry, before, after, command, time, kind)


def _shelve(turn: Turn, entry: Entry, command: Command, time: Micros) -> None:
    before = turn.alarm(entry.rule.id)
    longest = entry.rule.shelve_max
    span = longest if command.minutes is None else micros(command.minutes * 60)
    if span > longest:
        raise IllegalCommand(
            f"{entry.rule.id}: {command.minutes:g} minutes of shelving refused, at most "
            f"{longest / (60 * SECOND):g}; take it out of service instead if work lasts longer"
        )
    after = replace(
        _silenced(before),
        service_state=next_service_state(entry.rule.id, before.service_state, ServiceSignal.SHELVE),
        shelved_until=time + span,
        one_shot=command.minutes is None,
    )
    _record(turn, entry, before, after, command, time, "shelved")


def _remove(turn: Turn, entry: Entry, command: Command, time: Micros) -> None:
    before = turn.alarm(entry.rule.id)
    service = next_service_state(entry.rule.id, before.service_state, ServiceSignal.REMOVE)
    if not command.comment.strip():
        raise IllegalCommand(f"{entry.rule.id}: say in the comment why it leaves service")
    if entry.rule.bold and command.minutes is None:
        raise IllegalCommand(
            f"{entry.rule.id} guards against {entry.rule.failure}: give minutes, so that it "
            "comes back into service by itself"
        )
    minutes = command.minutes
    after = replace(
        _silenced(before),
        service_state=service,
        shelved_until=None,
        one_shot=False,
        out_until=None if minutes is None else time + micros(minutes * 60),
    )
    _record(turn, entry, before, after, command, time, "removed-from-service")


def _back(
    turn: Turn,
    entry: Entry,
    command: Command,
    signal: ServiceSignal,
    time: Micros,
    kind: str,
) -> None:
    end_service_state(turn, entry, signal, time, kind, who=command.who, comment=command.comment)


def _reset(turn: Turn, entry: Entry, command: Command, time: Micros) -> None:
    before = turn.alarm(entry.rule.id)
    after = replace(before, state=next_state(entry.rule.id, before.state, Signal.RESET))
    _record(turn, entry, before, after, command, time, "reset")


def _silenced(alarm: Alarm) -> Alarm:
    # Somebody silenced a standing alarm: when the silence ends and it still stands, it is told.
    unacknowledged = alarm.state is AlarmState.UNACKNOWLEDGED
    shelved = alarm.service_state is ServiceState.SHELVED
    if unacknowledged and not shelved:
        return replace(alarm, announced=False, causes_gone_at=None, hold_until=None)
    return replace(alarm, causes_gone_at=None, hold_until=None)


def _record(
    turn: Turn,
    entry: Entry,
    before: Alarm,
    after: Alarm,
    command: Command,
    time: Micros,
    kind: str,
) -> None:
    turn.record(
        entry, before, after, time, kind, who=command.who, comment=command.comment, message=""
    )
