"""The marks by which nobody takes an event or a notice of a live drill for a real one."""

from collections.abc import Mapping
from dataclasses import replace

from weirwatch.domain.alarm import Event
from weirwatch.domain.failures import Catalogue
from weirwatch.domain.state import Observed
from weirwatch.pipeline.group import GroupBuilder
from weirwatch.pipeline.notices import NoticeWriter
from weirwatch.ports import Notice
from weirwatch.settings import Settings


class DrillWriter(NoticeWriter):
    """Words the notices of a drill: its mark in front, an id of its own, `drill` in the payload.

    Args:
        name: of the drill; begins the ids of its notices.
    """

    in_drill = True

    def __init__(
        self, name: str, settings: Settings, catalogue: Catalogue, observed: Mapping[str, Observed]
    ) -> None:
        super().__init__(settings, catalogue, observed)
        self._name = name

    def _made(self, notice: Notice) -> Notice:
        return replace(
            notice, id=f"{self._name}-{notice.id}", payload={**notice.payload, "drill": True}
        )


class DrillBuilder(GroupBuilder):
    """Marks every event of a drill as one."""

    def _add_event(self, event: Event) -> None:
        super()._add_event(replace(event, drill=True))
