"""The marks by which nobody takes an event or a notice of a live drill for a real one."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from weirwatch.domain.alarm import Alarm, Event
from weirwatch.domain.calls import Why
from weirwatch.domain.failures import Catalogue
from weirwatch.domain.instant import Micros
from weirwatch.domain.rule import Rule
from weirwatch.domain.state import Observed
from weirwatch.pipeline.group import GroupBuilder
from weirwatch.pipeline.notice_text import digest_text
from weirwatch.pipeline.notices import NoticeWriter
from weirwatch.ports import Notice
from weirwatch.settings import Settings


class DrillWriter(NoticeWriter):
    """Words the notices of a drill: its mark in front, an id of its own, `drill` in the payload.

    Args:
        name: of the drill; begins the ids of its notices.
    """

    def __init__(
        self, name: str, settings: Settings, catalogue: Catalogue, observed: Mapping[str, Observed]
    ) -> None:
        super().__init__(settings, catalogue, observed)
        self._name = name
        self._recipients = {recipient.id: recipient for recipient in settings.recipients}
        self._page = settings.notice_page

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
        drill: bool = True,
    ) -> Notice:
        """Return one notice, marked whatever its event says."""
        del drill
        return self._marked(
            super().notice(ident, why, seq, recipient, rule, alarm, now, late=late, drill=True)
        )

    def digest(
        self,
        ident: str,
        seq: int,
        recipient: str,
        alarms: Sequence[tuple[Rule, Alarm]],
        now: Micros,
    ) -> Notice:
        """Return one notice of many alarms, marked."""
        person = self._recipients.get(recipient)
        text = digest_text(alarms, self.zone, self._page, person, drill=True)
        plain = super().digest(ident, seq, recipient, alarms, now)
        return self._marked(replace(plain, text=text))

    def _marked(self, notice: Notice) -> Notice:
        return replace(
            notice, id=f"{self._name}-{notice.id}", payload={**notice.payload, "drill": True}
        )


class DrillBuilder(GroupBuilder):
    """Marks every event of a drill as one."""

    def _add_event(self, event: Event) -> None:
        super()._add_event(replace(event, drill=True))
