"""The group under way: what the next commit makes durable, events numbered, notices written."""

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from weirwatch.domain.alarm import Alarm, Event
from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Reading
from weirwatch.domain.rule import Rule
from weirwatch.domain.state import Decision
from weirwatch.ports import Group, NodeState, Notice, Quarantined


class Writer(Protocol):
    """Writes notices and shows alarms; see `pipeline.notices.NoticeWriter`."""

    def notices_for(
        self, seq: int, event: Event, rule: Rule, alarm: Alarm, now: Micros
    ) -> list[Notice]:
        """Return the notices of one event."""
        ...

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
    ) -> None:
        """Start empty; `alarms` is the engine's own, always current mapping."""
        self._rules = rules
        self._numbers = channel_numbers
        self._alarms = alarms
        self._writer = writer
        self._next_seq = next_seq
        self._group = Group()
        self.urgent = False
        self._touched = False

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

    def node(self, node: NodeState) -> None:
        """Add what a node says of its connection."""
        self._group.nodes[node.node] = node
        self._touched = True

    def quarantine(self, quarantined: Sequence[Quarantined]) -> None:
        """Add payloads that could not be used."""
        self._group.quarantined.extend(quarantined)
        self._touched = True

    def group(self, now: Micros) -> Group:
        """Return the group as it stands, stamped and with its notices, ready to commit."""
        group = self._group
        group.committed_at = now
        told = {notice.event_seq for notice in group.notices}
        for seq, event in group.events:
            if event.annunciated and seq not in told:
                alarm = self._alarms[event.rule]
                group.notices.extend(
                    self._writer.notices_for(seq, event, self._rules[event.rule], alarm, now)
                )
        return group

    def clear(self) -> None:
        """Begin the next group."""
        self._group = Group()
        self.urgent = False
        self._touched = False

    def alarm_json(self, rule: str) -> dict[str, Any]:
        """Return a rule's alarm as JSON, for the answer to a command."""
        return self._writer.alarm_json(self._rules[rule], self._alarms[rule])

    def _add_event(self, event: Event) -> None:
        self._group.events.append((self._next_seq, event))
        self._next_seq += 1
        self.urgent = True
