"""The group under way: what the next commit makes durable, events numbered, notices written."""

from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, Protocol

from weirwatch.domain.alarm import Alarm, Event
from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Reading
from weirwatch.domain.rule import Rule
from weirwatch.domain.state import Decision
from weirwatch.pipeline.calling import Calling, Wording
from weirwatch.ports import Group, NodeState, Notice, Quarantined


class Writer(Wording, Protocol):
    """Words notices and shows alarms; see `pipeline.notices.NoticeWriter`."""

    def alarm_json(self, rule: Rule, alarm: Alarm) -> dict[str, Any]:
        """Return the alarm with its card."""
        ...


class GroupBuilder:
    """Collects decisions until they are committed; used by the loop thread only.

    Attributes:
        urgent: a transition waits, so the commit must not.
    """

    def __init__(
        self,
        rules: Mapping[str, Rule],
        channel_numbers: Mapping[str, int],
        alarms: Mapping[str, Alarm],
        writer: Writer,
        next_seq: int,
        calling: Mapping[str, str] = MappingProxyType({}),
    ) -> None:
        """Start empty; `alarms` is the engine's own mapping, `calling` what the journal kept."""
        self._rules = rules
        self._numbers = channel_numbers
        self._alarms = alarms
        self._writer = writer
        self._next_seq = next_seq
        self._group = Group()
        self._calling = Calling(writer, rules, calling)
        self._untold = 0  # place in the group of the first event not yet looked at
        self.urgent = False
        self._touched = bool(self._calling.changed)

    @property
    def empty(self) -> bool:
        """Whether there is nothing to commit."""
        return not (self._touched or self._group.readings)

    def reading(self, reading: Reading) -> None:
        """Add one judged reading."""
        self._group.readings.append(
            (
                reading.time,
                self._numbers[reading.channel],
                reading.value,
                int(reading.quality),
                reading.reason,
            )
        )

    def decision(self, decision: Decision) -> None:
        """Add changed alarms and numbered events."""
        self._group.alarms.update(decision.alarms)
        self._touched = True
        for event in decision.events:
            self._add_event(event)

    def resumed(self, alarms: Mapping[str, Alarm], closed: Sequence[str]) -> None:
        """Add what a restart changed."""
        self._group.alarms.update(alarms)
        self._group.closed.extend(closed)
        self._touched = self._touched or bool(alarms or closed)

    def event(self, event: Event) -> None:
        """Add an event for the record."""
        self._touched = True
        self._add_event(event)

    def service_event(self, now: Micros, kind: str, message: str) -> None:
        """Add something that happened to the service itself."""
        self.event(Event(time=now, kind=kind, message=message))

    def written(
        self,
        now: Micros,
        kind: str,
        message: str,
        write: Callable[[int, Micros], Sequence[Notice]] | None,
        *,
        drill: bool = False,
    ) -> None:
        """Add an event of the service itself, and the notices that tell of it."""
        seq = self._next_seq
        self.event(Event(time=now, kind=kind, message=message, drill=drill))
        if write is not None:
            self._group.notices.extend(write(seq, now))

    def node(self, node: NodeState) -> None:
        """Add what a node says of its connection."""
        self._group.nodes[node.node] = node
        self._touched = True

    def quarantine(self, quarantined: Sequence[Quarantined]) -> None:
        """Add payloads that could not be used."""
        self._group.quarantined.extend(quarantined)
        self._touched = True

    def keep(self, key: str, text: str | None) -> None:
        """Keep a text under a key until it is forgotten (None); beside how telling stands."""
        self._group.calling[key] = text
        self._touched = True

    def pass_calls(self, now: Micros) -> None:
        """Add the notices whose time has come: repeats, the next person, missed check-ins."""
        at = self._calling.next_call()
        if at is None or at > now:
            return
        self._tell_events(now)  # an acknowledgement of this very group comes first
        notices = self._calling.due(self._alarms, now)
        self._group.notices.extend(notices)
        self._touched = True
        self.urgent = self.urgent or bool(notices)

    def next_call(self) -> Micros | None:
        """Return when `pass_calls` wants to be called at the latest, or None."""
        return self._calling.next_call()

    def group(self, now: Micros) -> Group:
        """Return the group as it stands, stamped and with its notices, ready to commit."""
        self._tell_events(now)
        self._group.committed_at = now
        self._group.calling.update(self._calling.changed)
        return self._group

    def clear(self) -> None:
        """Begin the next group."""
        self._group = Group()
        self._calling.changed.clear()
        self._untold = 0
        self.urgent = False
        self._touched = False

    def alarm_json(self, rule: str) -> dict[str, Any]:
        """Return a rule's alarm as JSON, for the answer to a command."""
        return self._writer.alarm_json(self._rules[rule], self._alarms[rule])

    def _tell_events(self, now: Micros) -> None:
        """Look at each event once, also when its commit is tried again."""
        for seq, event in self._group.events[self._untold :]:
            alarm = self._alarms.get(event.rule)
            self._group.notices.extend(self._calling.event(seq, event, alarm, now))
        self._untold = len(self._group.events)

    def _add_event(self, event: Event) -> None:
        self._group.events.append((self._next_seq, event))
        self._next_seq += 1
        self.urgent = True
