"""What is told after a commit, and never before: listeners, MQTT, the outbox."""

import json
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any

from weirwatch.domain.alarm import Event
from weirwatch.domain.instant import to_rfc3339
from weirwatch.domain.reading import Quality
from weirwatch.domain.state import EngineState
from weirwatch.pipeline.notices import NoticeWriter
from weirwatch.pipeline.shapes import event_json, live_event, live_readings
from weirwatch.ports import Group, Newest, Publish, StoredEvent, Transport
from weirwatch.settings import Settings

EVENT_TYPE = "org.weirwatch.alarm."


class News:
    """Hands each committed group on; never blocks."""

    def __init__(
        self,
        settings: Settings,
        writer: NoticeWriter,
        state: EngineState,
        channel_numbers: Mapping[str, int],
        transport: Transport,
        publish: Publish,
        wake_outbox: Callable[[], None],
        systems: Mapping[str, str] = MappingProxyType({}),
    ) -> None:
        """Wire it up; `state` is only read; `systems`: built-in rule → its node's system."""
        self._systems = systems
        self._root = settings.broker.root
        self._places = [*(system.id for system in settings.systems), "service"]
        self._rules = {rule.id: rule for rule in settings.rules}
        self._writer = writer
        self._state = state
        self._names = {number: channel for channel, number in channel_numbers.items()}
        self._transport = transport
        self._publish = publish
        self._wake_outbox = wake_outbox

    def committed(self, group: Group) -> None:
        """Tell everybody of a committed group."""
        if group.notices:
            self._wake_outbox()
        for seq, event in group.events:
            stored = StoredEvent(seq, group.committed_at, event)
            self._publish(live_event(stored))
            if event.rule:
                self._send_event(stored)
        for rule in group.alarms:
            self._send_alarm(rule)
        for rule in group.closed:
            self._take_back(rule)
        if any(event.kind == "broker-connected" for _, event in group.events):
            self._send_all()
        if group.readings:
            self._publish(live_readings(self._newest(group)))

    def _newest(self, group: Group) -> dict[str, Newest]:
        newest: dict[str, Newest] = {}
        for time, number, value, quality, reason in group.readings:
            channel = self._names[number]
            known = newest.get(channel)
            if known is None or time > known.time:
                newest[channel] = Newest(time, value, Quality(quality), reason)
        return newest

    def _send_all(self) -> None:
        """Refresh the retained topics, normal ones too: they may be older than the journal."""
        for rule in self._state.alarms:
            self._send_alarm(rule)

    def _send_alarm(self, rule_id: str) -> None:
        rule, alarm = self._rules[rule_id], self._state.alarms[rule_id]
        shown: dict[str, Any] = self._writer.alarm_json(rule, alarm)
        shown.pop("safety_card", None)
        topic = f"{self._root}/{self._system(rule_id)}/alarm/{rule_id}"
        self._transport.publish(topic, json.dumps(shown).encode(), retain=True)

    def _take_back(self, rule_id: str) -> None:
        """Clear the retained alarm of a rule that no longer exists, wherever it was."""
        for place in self._places:
            topic = f"{self._root}/{place}/alarm/{rule_id}"
            self._transport.publish(topic, b"", retain=True)

    def _send_event(self, stored: StoredEvent) -> None:
        event = stored.event
        system = self._system(event.rule)
        cloud_event = {
            "specversion": "1.0",
            "id": str(stored.seq),
            "source": f"/weirwatch/{system}",
            "type": EVENT_TYPE + _compact(event),
            "subject": event.rule,
            "time": to_rfc3339(event.time),
            "datacontenttype": "application/json",
            "data": event_json(stored),
        }
        self._transport.publish(f"{self._root}/{system}/event", json.dumps(cloud_event).encode())

    def _system(self, rule_id: str) -> str:
        rule = self._rules.get(rule_id)
        if rule is not None and rule.channel:
            return rule.channel.split("/", 1)[0]
        return self._systems.get(rule_id, "service")


def _compact(event: Event) -> str:
    return event.kind.replace("-", "_")
