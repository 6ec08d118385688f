"""One stimulus being decided: reads the state, collects what changes, touches nothing."""

from dataclasses import replace
from typing import Any

from weirwatch.domain.alarm import Alarm, Event
from weirwatch.domain.book import Book, Entry
from weirwatch.domain.instant import Micros
from weirwatch.domain.state import Decision, EngineState, Observed


class Turn:
    """The state as this stimulus has changed it so far.

    Attributes:
        now: engine now.
        clock: the same, but of a deadline that is overdue the time when it was due.
        late: the stimulus is a reading that arrived long after its own time.
    """

    __slots__ = (
        "_alarms",
        "_conditions",
        "_events",
        "_link",
        "_observed",
        "_plans",
        "_windows",
        "book",
        "boundary",
        "clock",
        "late",
        "now",
        "state",
    )

    def __init__(self, state: EngineState, book: Book, now: Micros, *, late: bool = False) -> None:
        self.state = state
        self.book = book
        self.now = now
        self.clock = now
        self.late = late
        self.boundary: tuple[str, Micros] | None = None
        self._alarms: dict[str, Alarm] = {}
        self._events: list[Event] = []
        self._observed: tuple[str, Observed] | None = None
        self._conditions: dict[str, str | None] = {}
        self._link: tuple[bool, Micros] | None = None
        self._plans: tuple[str, ...] = ()
        self._windows: dict[str, Any] = {}

    def alarm(self, rule: str) -> Alarm:
        """Return the rule's alarm as it stands now."""
        return self._alarms.get(rule) or self.state.alarms[rule]

    def observed(self, channel: str) -> Observed | None:
        """Return what is known of a channel, or None."""
        mine = self._observed
        if mine is not None and mine[0] == channel:
            return mine[1]
        return self.state.observed.get(channel)

    def condition(self, rule: str) -> str | None:
        """Return the message of a built-in rule whose condition is present, else None."""
        if rule in self._conditions:
            return self._conditions[rule]
        return self.state.conditions.get(rule)

    def link_up_at(self) -> Micros | None:
        """Return since when the broker is connected, or None."""
        if self._link is not None:
            return self._link[1] if self._link[0] else None
        return self.state.link_up_at

    def observe(self, channel: str, observed: Observed) -> None:
        """Note what is now known of a channel."""
        self._observed = (channel, observed)

    def set_condition(self, rule: str, message: str | None) -> None:
        """Note a built-in rule's condition."""
        self._conditions[rule] = message

    def plan(self, rule: str) -> None:
        """Have the rule's deadline planned anew although its alarm stays as it is."""
        self._plans = (*self._plans, rule)

    def window(self, key: str) -> Any:
        """Return the window kept under `Entry.window`, see `domain.windows`."""
        return self._windows.get(key) or self.state.windows[key]

    def set_window(self, key: str, window: Any) -> None:
        """Replace the window kept under `Entry.window`."""
        self._windows[key] = window

    def set_link(self, up: bool, since: Micros) -> None:
        """Note the broker connection."""
        self._link = (up, since)

    def put(self, alarm: Alarm) -> None:
        """Replace the rule's alarm without a record (delays, bookkeeping)."""
        self._alarms[alarm.rule] = alarm

    def record(
        self, entry: Entry, before: Alarm, after: Alarm, time: Micros, kind: str, **more: Any
    ) -> None:
        """Replace the rule's alarm and put the transition on record."""
        value = more.pop("value", self.value_of(entry))
        after = replace(after, value=value)
        self._alarms[after.rule] = after
        self._events.append(
            Event(
                time=time,
                kind=kind,
                rule=entry.rule.id,
                channel=entry.rule.channel or "",
                from_state=before.state.value,
                to_state=after.state.value,
                service_from=before.service_state.value,
                service_to=after.service_state.value,
                value=value,
                late=self.late,
                message=more.pop("message", after.message if after.stands else ""),
                **more,
            )
        )

    def value_of(self, entry: Entry) -> float | None:
        """Return the newest value of the rule's channel, or None."""
        if entry.rule.channel is None:
            return None
        observed = self.observed(entry.rule.channel)
        return None if observed is None else observed.value

    def decision(self) -> Decision:
        """Return all that changes."""
        return Decision(
            self._observed,
            self._alarms,
            tuple(self._events),
            self._conditions,
            self._link,
            self.boundary,
            self._plans,
            self._windows,
        )
