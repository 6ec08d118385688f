"""The independent watcher's turn: look, judge, and make durable what is to be told."""

import json
from collections.abc import Callable, Sequence
from zoneinfo import ZoneInfo

from weirwatch.domain.alarm import Alarm, Event
from weirwatch.domain.calls import Why
from weirwatch.domain.failures import Catalogue
from weirwatch.domain.farwatch import Seen, Verdict, Watch, step, verdict
from weirwatch.domain.instant import Micros
from weirwatch.domain.routing import notice_id
from weirwatch.domain.rule import BuiltIn, Priority, Rule
from weirwatch.pipeline.notice_text import Told, notice_text
from weirwatch.ports import Clock, Group, Journal, Notice
from weirwatch.settings import RecipientSettings

KEY = "#farwatch"  # in `ports.Group.calling`

_RULES = {
    Verdict.STOPPED: (
        "Weirwatch is stopped",
        Priority.MEDIUM,
        "service-was-down",
        "it was stopped on purpose and did not come back",
    ),
    Verdict.SERVICE_LOST: (
        "Weirwatch lost",
        Priority.CRITICAL,
        "service-was-down",
        "the service ended without a word; its broker still answers",
    ),
    Verdict.UNHEARD: (
        "Weirwatch unheard of",
        Priority.CRITICAL,
        "service-was-down",
        "the broker answers, but has no word of the service",
    ),
    Verdict.API_DARK: (
        "API does not answer",
        Priority.HIGH,
        "service-was-down",
        "the service is connected to its broker, but its API does not answer",
    ),
    Verdict.BROKER_LOST: (
        "Broker lost",
        Priority.HIGH,
        "broker-lost",
        "the API answers, the broker does not",
    ),
    Verdict.SITE_DARK: (
        "Site dark",
        Priority.CRITICAL,
        "mains-lost",
        "neither broker nor API answers, and this watcher's own line is up",
    ),
    Verdict.DARK: (
        "Site dark or out of sight",
        Priority.CRITICAL,
        "mains-lost",
        "neither broker nor API answers; it may also be this watcher's own line",
    ),
    Verdict.CANNOT_SEE: (
        "I cannot see the site",
        Priority.MEDIUM,
        "",
        "nothing at all answers: this watcher is cut off, and says nothing of the site",
    ),
}


class FarWatch:
    """Looks, and tells its own recipients; what it told survives its restart."""

    def __init__(
        self,
        title: str,
        zone: ZoneInfo,
        recipients: Sequence[RecipientSettings],
        catalogue: Catalogue,
        journal: Journal,
        clock: Clock,
        wake_outbox: Callable[[], None],
    ) -> None:
        self._title = title
        self._zone = zone
        self._recipients = recipients
        self._catalogue = catalogue
        self._journal = journal
        self._clock = clock
        self._wake = wake_outbox
        kept = journal.restore()
        self._seq = kept.next_seq
        now = clock.now().utc
        facts = json.loads(kept.calling.get(KEY, "{}"))
        told = Verdict(facts.get("told", Verdict.WELL))
        self._since: Micros = facts.get("since", now)
        self.watch = Watch(told, now, told)

    def look(self, seen: Seen) -> Verdict | None:
        """Judge one look; return the verdict that was told because of it, or None.

        Raises:
            TransientError: it could not be made durable; the next look tries again.
        """
        now = self._clock.now().utc
        after, tell = step(self.watch, verdict(seen), now)
        if not tell:
            self.watch = after
            return None
        before = self.watch.told
        since = after.since
        back = after.told is Verdict.WELL
        shown = before if back else after.told
        notices = self._notices(shown, self._since if back else since, now, back=back)
        event = Event(
            time=now,
            kind=f"farwatch-{after.told.value}",
            message=_RULES[shown][3],
            annunciated=True,
        )
        facts = json.dumps({"told": after.told.value, "since": since})
        self._journal.commit(
            Group(
                events=[(self._seq, event)],
                notices=notices,
                calling={KEY: facts},
                committed_at=now,
            )
        )
        self._seq += 1
        self._since, self.watch = since, after
        self._wake()
        return after.told

    def _notices(self, shown: Verdict, since: Micros, now: Micros, *, back: bool) -> list[Notice]:
        title, priority, failure, message = _RULES[shown]
        rule = Rule(
            id=f"farwatch/{shown.value}",
            title=title,
            kind="system",
            condition=BuiltIn(),
            failure=failure,
            priority=priority,
        )
        known = self._catalogue.failures.get(failure)
        alarm = Alarm(rule.id, raised_at=since, returned_at=now if back else None, message=message)
        why = Why.RETURNED if back else Why.CALL
        told = Told(
            why=why,
            rule=rule,
            alarm=alarm,
            now=now,
            place=self._title,
            card=known.card if known is not None else None,
            zone=self._zone,
        )
        facts = {"id": rule.id, "priority": priority.value, "title": title, "message": message}
        payload = {"event": self._seq, "why": why.value, "verdict": shown.value, "alarm": facts}
        return [
            Notice(
                notice_id(self._seq, person.id),
                self._seq,
                person.id,
                now,
                notice_text(told, person),
                payload,
            )
            for person in self._recipients
        ]
