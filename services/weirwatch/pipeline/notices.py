"""The words of a notice: a first line for a lock screen, then how to act safely."""

from collections.abc import Mapping, Sequence
from typing import Any

from weirwatch.domain.alarm import Alarm
from weirwatch.domain.calls import Why
from weirwatch.domain.failures import Catalogue
from weirwatch.domain.instant import Micros
from weirwatch.domain.routing import Holiday, Roster
from weirwatch.domain.rule import Rule
from weirwatch.domain.state import Observed
from weirwatch.pipeline.local_time import local_time
from weirwatch.pipeline.outage_line import OutageLine
from weirwatch.pipeline.queries import alarm_json
from weirwatch.ports import Notice
from weirwatch.settings import Settings

_MAINS_LOST = "mains-lost"


class NoticeWriter:
    """Writes one notice per annunciation and recipient."""

    def __init__(
        self,
        settings: Settings,
        catalogue: Catalogue,
        observed: Mapping[str, Observed] | None = None,
    ) -> None:
        """Keep what notices are made of; `observed` is the engine's own newest readings."""
        self._settings = settings
        self._outage = None if observed is None else OutageLine(settings, observed)
        self._catalogue = catalogue
        self.recipients: Sequence[str] = [recipient.id for recipient in settings.recipients]
        self.rosters: Sequence[Roster] = settings.rosters
        self.holidays: Sequence[Holiday] = settings.holidays
        self.zone = settings.service.time_zone
        self._channels = {channel.id: channel for channel in settings.channels}
        self._titles = {system.id: system.title for system in settings.systems}

    def notice(
        self,
        ident: str,
        why: Why,
        seq: int,
        recipient: str,
        rule: Rule,
        alarm: Alarm,
        now: Micros,
        *,
        late: bool = False,
        drill: bool = False,
    ) -> Notice:
        """Return one notice to one recipient."""
        text = self._text(why, rule, alarm, now, late=late, drill=drill)
        return Notice(ident, seq, recipient, now, text, self._payload(seq, rule, alarm, why))

    def alarm_json(self, rule: Rule, alarm: Alarm) -> dict[str, Any]:
        """Return the alarm with its card."""
        failure = self._catalogue.failures.get(rule.failure)
        card = failure.card if failure is not None else None
        return alarm_json(rule, alarm, self._channels.get(rule.channel or ""), card)

    def _text(
        self, why: Why, rule: Rule, alarm: Alarm, now: Micros, *, late: bool, drill: bool
    ) -> str:
        zone = self._settings.service.time_zone
        since = alarm.raised_at if alarm.raised_at is not None else now
        system = rule.channel.split("/", 1)[0] if rule.channel else ""
        place = self._titles.get(system, system)
        first = f"{rule.priority.value.upper()}: {rule.title}"
        if place:
            first += f" ({place})"
        first = _before(why, alarm) + first
        if drill:
            first = f"DRILL, nothing is wrong: {first}"
        if why is Why.RETURNED:
            back = alarm.returned_at if alarm.returned_at is not None else now
            return f"{first}\nSince {local_time(back, zone)}."
        lines = [first, f"{alarm.message}, since {local_time(since, zone)}".lstrip(", ")]
        if late:
            lines.append("Reported late by its node.")
        failure = self._catalogue.failures.get(rule.failure)
        if failure is not None:
            card = failure.card
            lines.append(card.first_line)
            lines.append(self._how_long(rule, now))
            if rule.response:
                lines.append(rule.response)
            lines.extend(f"{n}. {step}" for n, step in enumerate(card.response, 1))
        elif rule.response:
            lines.append(rule.response)
        return "\n".join(line for line in lines if line)

    def _how_long(self, rule: Rule, now: Micros) -> str:
        """Return the outage clock's line; empty but for lost mains."""
        if rule.failure != _MAINS_LOST or self._outage is None:
            return ""
        return self._outage.sentence(now)

    def _payload(self, seq: int, rule: Rule, alarm: Alarm, why: Why) -> Mapping[str, Any]:
        return {"event": seq, "why": why.value, "alarm": self.alarm_json(rule, alarm)}


def _before(why: Why, alarm: Alarm) -> str:
    """Return what stands before an alarm's first line."""
    match why:
        case Why.REPEAT:
            return "Not answered yet: "
        case Why.NEXT:
            return "Nobody has answered: "
        case Why.CHECK_IN:
            return f"{alarm.acknowledged_by or 'Who was on the way'} has not checked in: "
        case Why.RETURNED:
            return "Returned to normal: "
        case _:
            return ""
