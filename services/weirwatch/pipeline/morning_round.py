"""Who gets the morning line when: once a day and recipient, also over restarts.

A thread of its own, with its own read-only connection: the record may be long, and the loop must
not wait for it. The notice's id is the day's, so that no day brings it twice.
"""

import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from weirwatch.domain.calls import Why
from weirwatch.domain.failures import Catalogue
from weirwatch.domain.instant import Micros
from weirwatch.domain.routing import standing_in
from weirwatch.pipeline.inbox import ServiceEventRequest
from weirwatch.pipeline.morning import morning_json, morning_of, morning_text
from weirwatch.ports import Archive, Clock, Notice
from weirwatch.settings import RecipientSettings, Settings

log = logging.getLogger(__name__)

LOOK_EVERY_S = 20.0
LATEST_MINUTES = 240  # after its time of day; whoever starts the service later has looked anyway
EVENT = "morning-line"
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class MorningRound:
    """Writes the morning lines that are due."""

    def __init__(
        self,
        settings: Settings,
        catalogue: Catalogue,
        open_archive: Callable[[], Archive],
        clock: Clock,
        put: Callable[[ServiceEventRequest], None],
    ) -> None:
        """Wire it up; `put` hands the notices to the loop."""
        self._settings = settings
        self._catalogue = catalogue
        self._open_archive = open_archive
        self._clock = clock
        self._put = put
        self._done: set[str] = set()
        self._ending = threading.Event()

    @property
    def wanted(self) -> bool:
        """Whether anybody wants it."""
        return any(person.morning is not None for person in self._settings.recipients)

    def run(self) -> None:
        """Look again and again until `stop`; no trouble ends the thread."""
        while not self._ending.wait(LOOK_EVERY_S / self._clock.speed):
            try:
                self.look()
            except Exception:
                log.exception("morning.failed")

    def stop(self) -> None:
        """End after the look under way."""
        self._ending.set()

    def look(self) -> None:
        """Write the lines that are due now."""
        now = self._clock.now().utc
        due = {ident: who for ident, who in self._due(now) if ident not in self._done}
        if not due:
            return
        archive = self._open_archive()
        try:
            fresh = {i: who for i, who in due.items() if archive.notice(i) is None}
            if fresh:
                morning = morning_of(archive, self._settings, self._catalogue, now)
                texts = {i: morning_text(morning, now, self._settings, who.longest)
                         for i, who in fresh.items()}  # fmt: skip
                facts = {"why": Why.MORNING.value, "morning": morning_json(morning)}
                self._hand_on({i: who.id for i, who in fresh.items()}, texts, facts)
        finally:
            archive.close()
        self._done.update(due)

    def _hand_on(
        self, people: dict[str, str], texts: dict[str, str], facts: Mapping[str, Any]
    ) -> None:
        def write(seq: int, now: Micros) -> Sequence[Notice]:
            payload = {"event": seq, **facts}
            return [Notice(i, seq, who, now, texts[i], payload) for i, who in people.items()]

        self._put(ServiceEventRequest(EVENT, f"to {', '.join(people.values())}", write))

    def _due(self, now: Micros) -> list[tuple[str, RecipientSettings]]:
        """Return id and recipient of each line whose time of day has come, and not long ago."""
        zone = self._settings.service.time_zone
        local = (_EPOCH + timedelta(microseconds=now)).astimezone(zone)
        minute = local.hour * 60 + local.minute
        people = {person.id: person for person in self._settings.recipients}
        found = {}
        for person in self._settings.recipients:
            if person.morning is None or not 0 <= minute - person.morning < LATEST_MINUTES:
                continue
            for who in standing_in([person.id], self._settings.holidays, now, zone):
                found[f"morning-{local.date()}-{who}"] = people[who]
        return list(found.items())
