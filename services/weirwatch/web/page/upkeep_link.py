"""Home of the way from the page to the log, which says how many jobs and supplies wait there."""

import asyncio
import logging

from nicegui import run, ui

from weirwatch.domain.errors import WeirwatchError
from weirwatch.pipeline.upkeep import upkeep_json
from weirwatch.ports import Archive, Clock
from weirwatch.settings import Settings
from weirwatch.web.page.parts import Words

log = logging.getLogger(__name__)

LABEL = "Log, upkeep and reports"
_FIRST_S, _AGAIN_S = 1.0, 300.0
_PATIENCE_S = 30.0


class UpkeepLink:
    """A link; what waits of all systems is counted now and then."""

    def __init__(self, settings: Settings, archive: Archive, clock: Clock) -> None:
        self._settings = settings
        self._archive = archive
        self._clock = clock
        self._link = Words("a", LABEL, href="/log")
        ui.timer(_FIRST_S, self._count, once=True)
        ui.timer(_AGAIN_S, self._count)

    async def _count(self) -> None:
        try:
            waiting = await asyncio.wait_for(run.io_bound(self._waiting), _PATIENCE_S)
        except (WeirwatchError, OSError, TimeoutError) as error:
            log.warning("page.upkeep_unread error=%s", error)
            return
        if waiting is not None and not self._link.is_deleted:
            self._link.set_text(label(waiting))

    def _waiting(self) -> int:
        now = self._clock.now().utc
        return sum(
            int(upkeep_json(self._archive, self._settings, system.id, now)["waiting"])
            for system in self._settings.systems
        )


def label(waiting: int) -> str:
    """Return the words of the link."""
    if not waiting:
        return LABEL
    return f"{LABEL}: {waiting} {'thing waits' if waiting == 1 else 'things wait'}"
