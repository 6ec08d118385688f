"""The words of a notice: a first line for a lock screen, then how to act safely."""

from collections.abc import Mapping, Sequence
from typing import Any

from weirwatch.domain.alarm import Alarm
from weirwatch.domain.calls import Why
from weirwatch.domain.devices import devices_of, where_text
from weirwatch.domain.failures import Catalogue
from weirwatch.domain.instant import Micros
from weirwatch.domain.routing import Holiday, Roster
from weirwatch.domain.rule import Rule
from weirwatch.domain.state import Observed
from weirwatch.pipeline.notice_text import Told, alarm_link, digest_text, fold_text, notice_text
from weirwatch.pipeline.outage_line import OutageLine
from weirwatch.pipeline.queries import alarm_json
from weirwatch.ports import Notice
from weirwatch.settings import Settings

_MAINS_LOST = "mains-lost"


class NoticeWriter:
    """Writes one notice per annunciation and recipient.

    Attributes:
        in_drill: whatever it tells is a drill.
    """

    in_drill = False

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
        self._people = {recipient.id: recipient for recipient in settings.recipients}
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
        told = self._told(why, rule, alarm, now, late=late, drill=drill or self.in_drill)
        text = notice_text(told, self._people.get(recipient))
        payload = self._payload(seq, rule, alarm, why)
        return self._made(Notice(ident, seq, recipient, now, text, payload))

    def digest(
        self,
        ident: str,
        seq: int,
        recipient: str,
        alarms: Sequence[tuple[Rule, Alarm]],
        now: Micros,
    ) -> Notice:
        """Return one notice of many alarms in an alarm flood."""
        person = self._people.get(recipient)
        page = self._settings.notice_page
        text = digest_text(alarms, self.zone, page, person, drill=self.in_drill)
        shown = [rule.id for rule, _ in alarms]
        payload = {"event": seq, "why": Why.DIGEST.value, "alarms": shown}
        return self._made(Notice(ident, seq, recipient, now, text, payload))

    def _made(self, notice: Notice) -> Notice:
        """Return the notice as it goes out."""
        return notice

    def fold(self, notices: Sequence[Notice], now: Micros) -> Notice:
        """Return one notice in the place of several to the same recipient."""
        first, last = notices[0], notices[-1]
        text = fold_text(notices, self._people.get(first.recipient))
        shown = [notice.id for notice in notices]
        payload = {"event": last.event_seq, "why": Why.FOLD.value, "notices": shown}
        return Notice(f"{first.id}-fold", last.event_seq, first.recipient, now, text, payload)

    def alarm_json(self, rule: Rule, alarm: Alarm) -> dict[str, Any]:
        """Return the alarm with its card."""
        failure = self._catalogue.failures.get(rule.failure)
        card = failure.card if failure is not None else None
        channel = self._channels.get(rule.channel or "")
        return alarm_json(rule, alarm, channel, card, self._settings.devices)

    def _told(
        self, why: Why, rule: Rule, alarm: Alarm, now: Micros, *, late: bool, drill: bool
    ) -> Told:
        system = rule.channel.split("/", 1)[0] if rule.channel else ""
        failure = self._catalogue.failures.get(rule.failure)
        return Told(
            why=why,
            rule=rule,
            alarm=alarm,
            now=now,
            place=self._titles.get(system, system),
            card=failure.card if failure is not None else None,
            zone=self.zone,
            how_long=self._how_long(rule, now),
            page=self._settings.notice_page,
            late=late,
            drill=drill,
            where=tuple(map(where_text, devices_of(rule, self._settings.devices))),
        )

    def _how_long(self, rule: Rule, now: Micros) -> str:
        """Return the outage clock's line; empty but for lost mains."""
        if rule.failure != _MAINS_LOST or self._outage is None:
            return ""
        return self._outage.sentence(now)

    def _payload(self, seq: int, rule: Rule, alarm: Alarm, why: Why) -> Mapping[str, Any]:
        link = alarm_link(self._settings.notice_page, rule.id) or None
        shown = self.alarm_json(rule, alarm)
        return {"event": seq, "why": why.value, "alarm": shown, "link": link}
