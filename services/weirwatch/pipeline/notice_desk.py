"""The home of what is asked about notices while the service runs: a test to one or to all.

A request is one JSON object: `{"name": "test", "recipient": id or null, "who": name}`. The answer,
`{"notices": [{"recipient": id, "id": id}, …]}`, comes before they are sent: whoever asks then looks
at how their delivery stands.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import Micros
from weirwatch.pipeline.inbox import ServiceEventRequest
from weirwatch.pipeline.notice_text import trial_notice
from weirwatch.ports import Clock, Notice
from weirwatch.settings import Settings

TEST = "notice-test"  # the event's kind


def chosen(settings: Settings, recipient: object) -> list[str]:
    """Return the recipients that are meant: one, or with None all.

    Raises:
        ConfigError: there is none of that id.
    """
    known = [person.id for person in settings.recipients]
    if recipient is None:
        return known
    if recipient not in known:
        cure = f"One of {', '.join(known)}"
        raise ConfigError(f"{settings.source}: there is no recipient {recipient!r}. {cure}.")
    return [str(recipient)]


class NoticeDesk:
    """Carries out requests about notices."""

    def __init__(
        self, settings: Settings, clock: Clock, put: Callable[[ServiceEventRequest], None]
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._put = put

    def handle(self, request: object) -> Mapping[str, Any]:
        """Carry out one request.

        Raises:
            ConfigError: it is none, or names nobody.
        """
        if not isinstance(request, Mapping) or request.get("name") != "test":
            raise ConfigError('a request about notices has the name "test"')
        people = chosen(self._settings, request.get("recipient"))
        zone, stamp = self._settings.service.time_zone, self._clock.now().utc
        trials = [trial_notice(person, stamp, zone) for person in people]

        def write(seq: int, now: Micros) -> Sequence[Notice]:
            return [
                Notice(trial.id, seq, trial.recipient, now, trial.text, trial.payload)
                for trial in trials
            ]

        who = str(request.get("who") or "")[:60]
        said = f"asked for by {who}: " if who else ""
        self._put(ServiceEventRequest(TEST, f"{said}to {', '.join(people)}", write))
        return {"notices": [{"recipient": trial.recipient, "id": trial.id} for trial in trials]}
