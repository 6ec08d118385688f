"""The home of asking for a live drill: begun, heard of, ended; refused while a real alarm stands.

Requests come over the control socket, on the thread of its commands; the loop shows each
of its commits. A request is one JSON object; `name` says what:

    {"name": "start", "failure", "says", "who", "minutes", "speed", "plant_time", "unfed"}
    {"name": "beat", "id", "after"}       whoever plays it is there; → how it stands, newer events
    {"name": "end", "id", "who"}
"""

import math
import shutil
from collections.abc import Callable, Mapping
from typing import Any

from weirwatch.domain.alarm import AlarmState
from weirwatch.domain.errors import ConfigError, IllegalCommand
from weirwatch.domain.instant import SECOND, Micros, from_rfc3339, micros
from weirwatch.domain.state import EngineState
from weirwatch.pipeline.inbox import Inbox, Question, ServiceEventRequest, told
from weirwatch.pipeline.live_drill import Asked, LiveDrill, LiveDrillParts
from weirwatch.pipeline.live_drill_words import begin_notices, over_notices
from weirwatch.pipeline.local_time import clock_time
from weirwatch.ports import Group
from weirwatch.settings import Settings

LONGEST_MINUTES = 240.0
FASTEST = 60.0
_NEAR: Micros = 3600 * SECOND  # plant time and service time may differ by so much at the start
_TEXT = 2000
_NAMED = 3


class LiveDrillDesk:
    """At most one drill at a time.

    Args:
        settings: the service's.
        inbox: of the real loop.
        overlaps: returns a tap's filter that would take a drill's topic, or None.
        answer_s: how long the loop may take to be asked.
        broker_address: where whoever plays a drill publishes.
    """

    def __init__(
        self,
        parts: LiveDrillParts,
        settings: Settings,
        inbox: Inbox,
        overlaps: Callable[[], str | None],
        answer_s: float,
        broker_address: tuple[str, int],
    ) -> None:
        self._broker_address = broker_address
        self._parts = parts
        self._settings = settings
        self._inbox = inbox
        self._overlaps = overlaps
        self._answer_s = answer_s
        self._drill: LiveDrill | None = None
        self._sounded = ""
        self._rules = {rule.id: rule for rule in settings.rules}

    def clear_up(self) -> None:
        """Remove what a drill left behind when the service was lost during it, and say so."""
        if self._parts.folder.exists():
            shutil.rmtree(self._parts.folder, ignore_errors=True)
            self._say_over("the service was stopped and started again", alarm=False)

    def handle(self, data: object) -> Mapping[str, Any]:
        """Carry out one request.

        Raises:
            ConfigError: it is none, or names what is not there.
            IllegalCommand: no drill may begin now, or there is none of that id.
            TransientError: the loop did not answer in time.
        """
        asked: Mapping[str, Any] = data if isinstance(data, Mapping) else {}
        match asked.get("name"):
            case "start":
                return self._start(asked)
            case "beat":
                drill = self._known(asked)
                drill.beat()
                return drill.as_json(int(_number(asked, "after", 0, 1e15)))
            case "end":
                drill = self._known(asked)
                drill.end(f"ended by {_text(asked, 'who') or 'whoever played it'}")
                return drill.as_json()
            case _:
                raise ConfigError("a request about a drill has a name: start, beat or end")

    def watching(self, told_of: Callable[[Group], None]) -> Callable[[Group], None]:
        """Return what the loop calls after each commit: look for real alarms, then hand it on."""

        def committed(group: Group) -> None:
            self._watch(group)
            told_of(group)

        return committed

    def _watch(self, group: Group) -> None:
        """End the drill at once when a real alarm is annunciated."""
        for _, event in group.events:
            if event.annunciated and event.rule in self._rules:
                self._sounded = self._rules[event.rule].title
                if self._drill is not None:
                    self._drill.end(self._sounded, alarm=True)

    def facts(self) -> dict[str, Any] | None:
        """Return the drill under way, for health; None: there is none."""
        drill = self._drill
        return drill.facts() if drill is not None and drill.under_way else None

    def close(self) -> None:
        """End the drill and wait until it is gone; the service stops."""
        if self._drill is not None:
            self._drill.end("the service stops")
            self._drill.join(20.0)

    # --- starting -------------------------------------------------------------------------------

    def _start(self, data: Mapping[str, Any]) -> Mapping[str, Any]:
        asked = self._asked(data)
        if self._drill is not None:
            if self._drill.under_way:
                raise IllegalCommand("a drill is under way already: wait, or end it first")
            self._drill.join(5.0)
        tap = self._overlaps()
        if tap is not None:
            raise ConfigError(
                f'the tap on "{tap}" would take a drill for real: narrow its topic, so that it '
                "does not match the drill's topics"
            )
        self._sounded = ""
        question = Question(_readiness)
        self._inbox.ask(question)
        against = told(question, self._answer_s)["against"]
        if against:
            raise IllegalCommand(against)
        drill = LiveDrill(self._parts, self._settings, asked, self._over)
        self._drill = drill
        self._say_begins(drill)
        drill.start()
        if self._sounded:  # between the question and now
            drill.end(self._sounded, alarm=True)
        return drill.as_json() | {
            "clock": {
                "speed": drill.clock.speed,
                "origin_utc": drill.clock.now().utc,
                "origin_mono": drill.clock.real_mono(),
            },
            "broker": list(self._broker_address),
        }

    def _asked(self, data: Mapping[str, Any]) -> Asked:
        failure = _text(data, "failure")
        found = self._parts.catalogue.failures.get(failure)
        if found is None:
            raise ConfigError(f"failure {failure!r} is not in the catalogue")
        try:
            plant_time = from_rfc3339(_text(data, "plant_time"))
        except ValueError as error:
            raise ConfigError(f"plant_time: {error}") from None
        if abs(plant_time - self._parts.clock.now().utc) > _NEAR:
            raise ConfigError("plant_time must be within an hour of the service's own time")
        unfed = data.get("unfed", ())
        if not isinstance(unfed, list) or not all(isinstance(channel, str) for channel in unfed):
            raise ConfigError("unfed must be a list of channel ids")
        return Asked(
            failure,
            found.title,
            _text(data, "says"),
            _text(data, "who"),
            micros(_number(data, "minutes", 0.05, LONGEST_MINUTES) * 60),
            _number(data, "speed", 1.0, FASTEST),
            plant_time,
            frozenset(unfed),
        )

    def _known(self, data: Mapping[str, Any]) -> LiveDrill:
        if self._drill is None or self._drill.name != data.get("id"):
            raise IllegalCommand("there is no such drill: the service may have been restarted")
        return self._drill

    # --- saying ---------------------------------------------------------------------------------

    def _say_begins(self, drill: LiveDrill) -> None:
        asked = drill.asked
        until = clock_time(drill.ends, self._settings.service.time_zone)
        message = f"drill of {asked.failure} until {until} at the latest: {asked.says}"
        notices = begin_notices(self._settings, asked.title, asked.who, drill.ends)
        self._inbox.put(ServiceEventRequest("drill-started", message, notices, drill=True))

    def _over(self, why: str, alarm: bool) -> None:
        self._say_over(why, alarm=alarm)

    def _say_over(self, why: str, *, alarm: bool) -> None:
        kind = "drill-aborted" if alarm else "drill-ended"
        message = f"a real alarm: {why}" if alarm else why
        notices = over_notices(self._settings, why, alarm=alarm)
        self._inbox.put(ServiceEventRequest(kind, message, notices, drill=True))


def _readiness(state: EngineState, now: Micros) -> dict[str, Any]:
    """Return what stands against a drill now, as a sentence, or an empty one."""
    del now
    if state.link_up_at is None:
        return {"against": "no drill without a connection to the broker: see weirwatch status"}
    open_ones = [a.rule for a in state.alarms.values() if a.state is not AlarmState.NORMAL]
    if not open_ones:
        return {"against": ""}
    named = ", ".join(sorted(open_ones)[:_NAMED])
    more = f" and {len(open_ones) - _NAMED} more" if len(open_ones) > _NAMED else ""
    return {
        "against": f"no drill while a real alarm is open: {named}{more}; see to it first, then "
        "acknowledge it and wait until it has returned"
    }


def _text(data: Mapping[str, Any], key: str) -> str:
    value = data.get(key, "")
    if not isinstance(value, str) or len(value) > _TEXT:
        raise ConfigError(f"{key} must be text of at most {_TEXT} characters")
    return value.encode("utf-8", "replace").decode()


def _number(data: Mapping[str, Any], key: str, least: float, most: float) -> float:
    value = data.get(key)
    plain = isinstance(value, int | float) and not isinstance(value, bool)
    number = float(value) if plain and value is not None else math.nan
    if not least <= number <= most:
        raise ConfigError(f"{key} must be a number from {least:g} to {most:g}")
    return number
