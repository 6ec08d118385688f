"""Who is told of an alarm: which roster it falls to, who stands in, and who is left asleep."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from weirwatch.domain.alarm import Event
from weirwatch.domain.daytime import holds_at, next_boundary
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.rule import Between, Priority, Rule

_AWAY = "notice-undeliverable"
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Roster:
    """Who is told of which alarms, and who next.

    Attributes:
        call: recipients in the order in which they are called.
        also: told with the first call, and never called again.
        priorities, systems, failures: the alarms it is for; empty: all.
        between: the local time of day at which it serves; None: always.
        quiet: local time of day in which only critical alarms and bold failures are told.
        repeat: span until the person called is told again; doubles each time; 0: never.
        repeat_longest: the span does not grow beyond this.
        next_after: so long after a person was called the next one is; 0: never.
    """

    id: str
    call: tuple[str, ...]
    also: tuple[str, ...] = ()
    priorities: frozenset[Priority] = frozenset()
    systems: frozenset[str] = frozenset()
    failures: frozenset[str] = frozenset()
    between: Between | None = None
    quiet: Between | None = None
    repeat: Micros = 300 * SECOND
    repeat_longest: Micros = 3600 * SECOND
    next_after: Micros = 900 * SECOND


@dataclass(frozen=True, slots=True)
class Holiday:
    """A hand-over: from `start` to `end`, both included, `stand_in` is told for `recipient`."""

    recipient: str
    stand_in: str
    start: date
    end: date


def recipients_for(event: Event, recipients: Sequence[str]) -> Iterable[str]:
    """Return who gets a notice where no roster serves: everybody, of every annunciation."""
    return recipients if event.annunciated else ()


def notice_id(event_seq: int, recipient: str, number: int = 0) -> str:
    """Return the notice's stable id: the same over every retry and restart.

    Args:
        event_seq: sequence number of the event it tells of.
        recipient: who gets it.
        number: 0 for the first notice of that event, then counted on.
    """
    first = f"{event_seq}-{recipient}"
    return first if number == 0 else f"{first}-{number}"


def roster_for(
    rosters: Iterable[Roster], rule: Rule, time: Micros, zone: ZoneInfo
) -> Roster | None:
    """Return the first roster that serves the rule's alarm at this time, or None.

    That somebody cannot be reached is served only by a roster that names that failure: the person
    it would call first may be the very one.
    """
    system = rule.channel.split("/", 1)[0] if rule.channel else ""
    for roster in rosters:
        # A rule without a channel is about the service itself, and so about every system.
        if (
            (not roster.priorities or rule.priority in roster.priorities)
            and (not roster.systems or not system or system in roster.systems)
            and (rule.failure in roster.failures or not (roster.failures or rule.failure == _AWAY))
            and (roster.between is None or holds_at(roster.between, time, zone))
        ):
            return roster
    return None


def quiet_until(roster: Roster, rule: Rule, time: Micros, zone: ZoneInfo) -> Micros | None:
    """Return when the quiet hours end that hold this alarm back now; None: tell it now.

    Critical alarms and bold failures are never held back.
    """
    if rule.bold or rule.priority is Priority.CRITICAL or roster.quiet is None:
        return None
    return next_boundary(roster.quiet, time, zone) if holds_at(roster.quiet, time, zone) else None


def standing_in(
    recipients: Iterable[str], holidays: Iterable[Holiday], time: Micros, zone: ZoneInfo
) -> tuple[str, ...]:
    """Return the recipients with those away replaced by who stands in for them, each once.

    A stand-in who is away too is replaced in turn; a circle ends where it began.
    """
    today = (_EPOCH + timedelta(microseconds=time)).astimezone(zone).date()
    away: dict[str, str] = {}
    for holiday in holidays:
        if holiday.start <= today <= holiday.end:
            away.setdefault(holiday.recipient, holiday.stand_in)
    found: dict[str, None] = {}
    for recipient in recipients:
        present, seen = recipient, {recipient}
        while present in away and away[present] not in seen:
            present = away[present]
            seen.add(present)
        found[present] = None
    return tuple(found)
