"""What the engine remembers between two stimuli, and when it next wants to be called."""

import heapq
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, NamedTuple

from weirwatch.domain.alarm import Alarm, Event
from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Quality


class Observed(NamedTuple):
    """What is known of a channel.

    Attributes:
        time, value, quality, reason: of the newest reading by its own time.
        heard_at: engine now when anything last arrived; silence is measured from here, since a
            node's own clock may be off.
        good_time, good_value: of the newest good reading.
        changed_at: own time since which the value has been the same; silences do not count.
        lag: how long after its own time the newest reading arrived; 0 if in an earlier run.
    """

    time: Micros
    value: float
    quality: Quality
    reason: str
    heard_at: Micros
    good_time: Micros | None
    good_value: float | None
    changed_at: Micros
    lag: Micros = 0


class Deadline(NamedTuple):
    """When a rule wants to be called again without a reading.

    Attributes:
        due: engine now at which it fires.
        order: what comes first at one instant.
        at: the time that the transition will carry (`due` less the lag of the node's clock).
        what: count, silent, duty, re-alarm, shelf, out, hold-off, announce or between.
        late: the channel's newest reading arrived long after its own time: more may come.
    """

    due: Micros
    order: int
    at: Micros
    what: str
    late: bool = False


_NONE: Mapping[str, Any] = MappingProxyType({})


class Decision(NamedTuple):
    """What one stimulus changes: adopted into the state after it is decided.

    Attributes:
        observed: channel → what is now known of it.
        alarms: rule → its new alarm.
        events: in order.
        conditions: built-in rule → message, or None when its condition is absent.
        link: (is up, since) when the broker connection changed.
        boundary: (rule, time) of a time-of-day boundary that has been dealt with.
        plans: rules whose deadline is to be planned anew although their alarm is as it was.
        windows: `Entry.window` → the new window, see `domain.windows`.
    """

    observed: tuple[str, Observed] | None = None
    alarms: Mapping[str, Alarm] = _NONE
    events: tuple[Event, ...] = ()
    conditions: Mapping[str, str | None] = _NONE
    link: tuple[bool, Micros] | None = None
    boundary: tuple[str, Micros] | None = None
    plans: tuple[str, ...] = ()
    windows: Mapping[str, Any] = _NONE


class Agenda:
    """Deadlines by time. Entries may be too early, never too late: they are checked when due."""

    def __init__(self) -> None:
        self._heap: list[tuple[Micros, int, str]] = []
        self._scheduled: dict[str, Micros] = {}

    def plan(self, rule: str, rank: int, due: Micros | None) -> None:
        """Make sure that the rule is looked at by `due`."""
        if due is None:
            return
        known = self._scheduled.get(rule)
        if known is None or due < known:
            self._scheduled[rule] = due
            heapq.heappush(self._heap, (due, rank, rule))

    def pop(self, now: Micros) -> tuple[Micros, str] | None:
        """Return an entry that is due by `now`, causes before consequences, or None."""
        while self._heap and self._heap[0][0] <= now:
            due, _rank, rule = heapq.heappop(self._heap)
            if self._scheduled.get(rule) == due:
                del self._scheduled[rule]
                return due, rule
        return None

    def earliest(self) -> Micros | None:
        """Return when to look again, or None."""
        while self._heap and self._scheduled.get(self._heap[0][2]) != self._heap[0][0]:
            heapq.heappop(self._heap)
        return self._heap[0][0] if self._heap else None


@dataclass(slots=True)
class EngineState:
    """The engine's memory. Only `adopt` changes it.

    Attributes:
        conditions: built-in rules whose condition is present, with their message.
        started_at: when this run began; silence counts from here at the earliest.
        link_up_at: since when the broker is connected; None while it is not (then nobody can
            be called silent).
        boundaries: rule → last time-of-day boundary dealt with.
        bands: channel → bounds strictly between which a good value moves none of its rules;
            derived from the alarms; no entry: look closer.
        windows: `Entry.window` of rules that look back → the window; not stored.
    """

    alarms: dict[str, Alarm]
    observed: dict[str, Observed]
    started_at: Micros
    link_up_at: Micros | None
    conditions: dict[str, str] = field(default_factory=dict)
    boundaries: dict[str, Micros] = field(default_factory=dict)
    bands: dict[str, tuple[float, float]] = field(default_factory=dict)
    windows: dict[str, Any] = field(default_factory=dict)
    agenda: Agenda = field(default_factory=Agenda)

    def adopt(self, decision: Decision, plan: Callable[[str], None]) -> None:
        """Take a decision over; `plan` re-plans the deadlines of a rule."""
        if decision.observed is not None:
            self.observed[decision.observed[0]] = decision.observed[1]
        if decision.boundary is not None:
            self.boundaries[decision.boundary[0]] = decision.boundary[1]
        for rule, message in decision.conditions.items():
            if message is None:
                self.conditions.pop(rule, None)
            else:
                self.conditions[rule] = message
        if decision.link is not None:
            self.link_up_at = decision.link[1] if decision.link[0] else None
            for rule in self.alarms:
                plan(rule)
        self.alarms.update(decision.alarms)
        self.windows.update(decision.windows)
        for rule in (*decision.alarms, *decision.plans):
            plan(rule)
