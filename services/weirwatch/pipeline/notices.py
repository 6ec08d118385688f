"""The words of a notice: a first line for a lock screen, then how to act safely."""

from collections.abc import Mapping
from typing import Any

from weirwatch.domain.alarm import Alarm, Event
from weirwatch.domain.failures import Catalogue
from weirwatch.domain.instant import Micros
from weirwatch.domain.routing import notice_id, recipients_for
from weirwatch.domain.rule import Rule
from weirwatch.pipeline.local_time import local_time
from weirwatch.pipeline.queries import alarm_json
from weirwatch.ports import Notice
from weirwatch.settings import Settings


class NoticeWriter:
    """Writes one notice per annunciation and recipient."""

    def __init__(self, settings: Settings, catalogue: Catalogue) -> None:
        self._settings = settings
        self._catalogue = catalogue
        self._recipients = [recipient.id for recipient in settings.recipients]
        self._channels = {channel.id: channel for channel in settings.channels}
        self._titles = {system.id: system.title for system in settings.systems}

    def notices_for(
        self, seq: int, event: Event, rule: Rule, alarm: Alarm, now: Micros
    ) -> list[Notice]:
        """Return the notices of one event; none unless it is annunciated."""
        if not event.annunciated:
            return []
        text = self._text(event, rule, alarm)
        payload = self._payload(seq, rule, alarm)
        return [
            Notice(notice_id(seq, recipient), seq, recipient, now, text, payload)
            for recipient in recipients_for(event, self._recipients)
        ]

    def alarm_json(self, rule: Rule, alarm: Alarm) -> dict[str, Any]:
        """Return the alarm with its card."""
        failure = self._catalogue.failures.get(rule.failure)
        card = failure.card if failure is not None else None
        return alarm_json(rule, alarm, self._channels.get(rule.channel or ""), card)

    def _text(self, event: Event, rule: Rule, alarm: Alarm) -> str:
        zone = self._settings.service.time_zone
        since = alarm.raised_at if alarm.raised_at is not None else event.time
        system = rule.channel.split("/", 1)[0] if rule.channel else ""
        place = self._titles.get(system, system)
        first = f"{rule.priority.value.upper()}: {rule.title}"
        if place:
            first += f" ({place})"
        lines = [first, f"{alarm.message}, since {local_time(since, zone)}".lstrip(", ")]
        if event.late:
            lines.append("Reported late by its node.")
        failure = self._catalogue.failures.get(rule.failure)
        if failure is not None:
            card = failure.card
            lines.append(card.first_line)
            if rule.response:
                lines.append(rule.response)
            lines.extend(f"{n}. {step}" for n, step in enumerate(card.response, 1))
        elif rule.response:
            lines.append(rule.response)
        return "\n".join(line for line in lines if line)

    def _payload(self, seq: int, rule: Rule, alarm: Alarm) -> Mapping[str, Any]:
        return {"event": seq, "alarm": self.alarm_json(rule, alarm)}
