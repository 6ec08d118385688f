"""The home of planned work under way: started, ended, checked, kept over a restart.

Used by the loop thread only, but for `handle`, which waits for that. What runs is kept as JSON text
beside how telling stands (`ports.Group.calling`), in the commit of its events.

A request is one JSON object; `name` says what:

    {"name": "list"}                                            → {"items": […]}
    {"name": "start", "work": id, "who", "comment", "minutes", "remote"} → the work as it stands
    {"name": "end", "work": id, "who", "comment", "remote"}     → the work as it stands
"""

import json
import math
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from weirwatch.domain.alarm import Alarm, Event, ServiceState
from weirwatch.domain.book import Book
from weirwatch.domain.engine import CommandGiven, ConditionObserved, adopt, decide, may_move
from weirwatch.domain.errors import (
    ConfigError,
    IllegalCommand,
    TransientError,
    UnknownWork,
    WeirwatchError,
)
from weirwatch.domain.instant import SECOND, Micros, micros, seconds, to_rfc3339
from weirwatch.domain.operator import Command
from weirwatch.domain.planned_work import NOT_ENDED, PlannedWork, Running, check_text, unmet
from weirwatch.domain.state import Decision, EngineState
from weirwatch.pipeline.shapes import time_json

KEY = "planned-work/"  # what is kept begins with it; no rule's id does
PROOF = "proof/"  # work of a sensor's proof test: listed only while it runs
CHECK_AGAIN: Micros = 5 * SECOND  # while something is not back to normal
_LONGEST = 2000  # characters of any text


@dataclass(frozen=True, slots=True)
class WorkRequest:
    """What somebody asks of the desk, answered once it is durable."""

    name: str
    work: str = ""
    who: str = ""
    comment: str = ""
    minutes: float | None = None
    answer: "Future[dict[str, Any]]" = field(default_factory=Future)


class Record(Protocol):
    """What the next commit makes durable; see `pipeline.group.GroupBuilder`."""

    def decision(self, decision: Decision) -> None:
        """Add changed alarms and events."""
        ...

    def event(self, event: Event) -> None:
        """Add an event."""
        ...

    def keep(self, key: str, text: str | None) -> None:
        """Keep a text under a key; None: forget it."""
        ...


class WorkDesk:
    """Keeps the planned work that runs."""

    def __init__(
        self,
        works: Mapping[str, PlannedWork],
        book: Book,
        state: EngineState,
        builder: Record,
        kept: Mapping[str, str],
    ) -> None:
        """Go on with what was kept; work that the configuration no longer has is forgotten."""
        self._works = works
        self._book = book
        self._state = state
        self._builder = builder
        self._running: dict[str, Running] = {}
        self._answers: list[WorkRequest] = []
        self._told = False  # the built-in rule's condition was not yet set in this run
        for key, text in kept.items():
            work = key.removeprefix(KEY)
            if key.startswith(KEY) and work in works:
                self._running[work] = _from_text(text)
            elif key.startswith(KEY):
                builder.keep(key, None)

    def take(self, request: WorkRequest, now: Micros) -> None:
        """Carry out one request; its answer comes with `committed`, a refusal at once."""
        try:
            match request.name:
                case "list":
                    shown = [
                        w for w in self._works if w in self._running or not w.startswith(PROOF)
                    ]
                    request.answer.set_result({"items": [self.as_json(w) for w in shown]})
                    return
                case "start":
                    self._start(request, now)
                case _:
                    self._end(request, now)
        except WeirwatchError as refusal:
            request.answer.set_exception(refusal)
        else:
            self._answers.append(request)

    def calibrates(self, channel: str, time: Micros) -> bool:
        """Return whether the channel's probe is in its cup at `time` rather than in the water."""
        for running in self._running.values():  # asked for each reading; mostly none is
            if running.covers(time) and channel in self._works[running.work].calibrates:
                return True
        return False

    def committed(self) -> None:
        """Answer what is durable now."""
        answers, self._answers = self._answers, []
        for request in answers:
            request.answer.set_result(self.as_json(request.work))

    def pass_time(self, now: Micros) -> None:
        """End what is over, and check what has settled."""
        first = not self._told
        for running in list(self._running.values()):
            work = self._works[running.work]
            if running.ended is None and running.ends <= now:
                ended = running.end(running.ends, work.settle)
                if first:  # away at its end: the readings for the check are yet to come
                    ended = replace(ended, check_at=now + work.settle)
                self._put(ended)
                self._event(ended.ends, "planned-work-ended", f"{work.title}: its time is over")
            elif running.check_at is not None and (
                running.check_at <= now or (first and running.unmet)
            ):
                if first and not running.unmet:  # away when it had settled: the same
                    self._put(replace(running, check_at=now + work.settle))
                else:
                    self._check(work, running, now)
        if first:
            self._condition(now)

    def next_call(self) -> Micros | None:
        """Return when `pass_time` wants to be called at the latest, or None."""
        times = [r.ends if r.ended is None else r.check_at for r in self._running.values()]
        return min((time for time in times if time is not None), default=None)

    def as_json(self, work_id: str) -> dict[str, Any]:
        """Return one work as it stands."""
        work, running = self._works[work_id], self._running.get(work_id)
        found: dict[str, Any] = {
            "id": work.id,
            "title": work.title,
            "minutes": seconds(work.duration) / 60,
            "settle_s": seconds(work.settle),
            "rules": list(work.rules),
            "calibrates": sorted(work.calibrates),
            "check": [
                f"{check.channel} {check_text(check, self._book.channels[check.channel])}"
                for check in work.checks
            ],
            "state": "idle" if running is None else running.state,
            "who": None,
            "comment": "",
            "started_at": None,
            "ends_at": None,
            "check_at": None,
            "shelved": [],
            "unmet": [],
        }
        if running is None:
            return found
        under_way = running.ended is None
        return found | {
            "who": running.who or None,
            "comment": running.comment,
            "started_at": to_rfc3339(running.started),
            "ends_at": to_rfc3339(running.ends),
            "check_at": time_json(running.ends + work.settle if under_way else running.check_at),
            "shelved": sorted(running.shelved or {}),
            "unmet": list(running.unmet),
        }

    # --- what happens ---------------------------------------------------------------------------

    def _start(self, request: WorkRequest, now: Micros) -> None:
        work = self._work(request)
        span = work.duration if request.minutes is None else micros(request.minutes * 60)
        if span + work.settle > work.longest:
            most = seconds(work.longest - work.settle) / 60
            raise IllegalCommand(
                f"{work.id}: {seconds(span) / 60:g} minutes refused, at most {most:g}: its alarms "
                "may not be shelved for longer; start it again when the time is nearly over"
            )
        before = self._running.get(work.id)
        started = now if before is None or before.ended is not None else before.started
        until = now + span + work.settle
        mine = {} if before is None else dict(before.shelved or {})
        shelved = dict(self._shelve(work, request, now, until, mine))
        self._put(
            Running(work.id, request.who, request.comment, started, now + span, shelved=shelved)
        )
        quiet = ", ".join(shelved) or "no alarm"
        sentence = f"{work.title}, {seconds(span) / 60:g} minutes; shelved: {quiet}"
        kind = "planned-work-started" if started == now else "planned-work-extended"
        self._event(now, kind, sentence, request)
        self._condition(now)

    def _end(self, request: WorkRequest, now: Micros) -> None:
        work = self._work(request)
        running = self._running.get(work.id)
        if running is None or running.ended is not None:
            raise IllegalCommand(f"{work.id} is not under way: there is nothing to end")
        shelved = dict(self._shelve(work, request, now, now + work.settle, running.shelved or {}))
        self._put(replace(running, shelved=shelved).end(now, work.settle))
        self._event(now, "planned-work-ended", work.title, request)

    def _shelve(
        self,
        work: PlannedWork,
        request: WorkRequest,
        now: Micros,
        until: Micros,
        mine: Mapping[str, Micros],
    ) -> Iterator[tuple[str, Micros]]:
        """Shelve the work's rules until then; what somebody else silenced for longer stays so."""
        starting = request.name == "start"
        for rule in work.rules:
            alarm = self._state.alarms[rule]
            shelved = alarm.service_state is ServiceState.SHELVED
            ours = shelved and alarm.shelved_until == mine.get(rule)
            if ours or (starting and _may_shelve(alarm, until)):
                self._quiet(rule, request, now, until)
                after = self._state.alarms[rule].shelved_until
                if after is not None:
                    yield rule, after

    def _quiet(self, rule: str, request: WorkRequest, now: Micros, until: Micros) -> None:
        title = self._works[request.work].title
        comment = f"{title}: {request.comment}" if request.comment else title
        if until > now:
            minutes = seconds(until - now) / 60
            command = Command("shelve", rule, request.who, comment, minutes)
        else:
            command = Command("unshelve", rule, request.who, comment)
        decision = decide(self._state, CommandGiven(command, now), self._book)
        adopt(self._state, decision, self._book)
        self._builder.decision(decision)

    def _check(self, work: PlannedWork, running: Running, now: Micros) -> None:
        found = unmet(work.checks, self._state.observed, self._book, now)
        if not found:
            self._forget(work.id)
            self._event(now, "planned-work-checked", f"{work.title}: all is back to normal")
        else:
            after = replace(running, check_at=now + CHECK_AGAIN, unmet=found)
            if running.unmet == found:
                self._running[work.id] = after  # nothing new to keep
            else:
                self._put(after)
        self._condition(now)

    def _condition(self, now: Micros) -> None:
        """Raise or clear the built-in rule by what is not back to normal."""
        self._told = True
        sentences = [
            f"{self._works[r.work].title} has ended, but {' and '.join(r.unmet)}"
            for r in self._running.values()
            if r.ended is not None and r.unmet
        ]
        message = "; ".join(sentences) or None
        if not may_move(self._state, NOT_ENDED, message):
            return
        observed = ConditionObserved(NOT_ENDED, message, now)
        decision = decide(self._state, observed, self._book)
        adopt(self._state, decision, self._book)
        if decision.alarms or decision.events:
            self._builder.decision(decision)

    def _work(self, request: WorkRequest) -> PlannedWork:
        work = self._works.get(request.work)
        if work is None:
            own = [name for name in self._works if not name.startswith(PROOF)]
            known = f"there is {', '.join(own)}" if own else "none is configured"
            raise UnknownWork(f"no planned work has the id {request.work!r}: {known}")
        return work

    def _put(self, running: Running) -> None:
        self._running[running.work] = running
        self._builder.keep(f"{KEY}{running.work}", _as_text(running))

    def _forget(self, work: str) -> None:
        del self._running[work]
        self._builder.keep(f"{KEY}{work}", None)

    def _event(
        self, time: Micros, kind: str, sentence: str, request: WorkRequest | None = None
    ) -> None:
        who = "" if request is None else request.who
        comment = "" if request is None else request.comment
        self._builder.event(Event(time, kind, who=who, comment=comment, message=sentence))


def kept_by_desk(calling: Mapping[str, str]) -> tuple[dict[str, str], dict[str, str]]:
    """Return what the journal kept for the desk, and the rest."""
    mine = {key: text for key, text in calling.items() if key.startswith(KEY)}
    return mine, {key: text for key, text in calling.items() if key not in mine}


def request_from(data: object) -> WorkRequest:
    """Return the request that was sent.

    Raises:
        ConfigError: it is none; nothing was changed.
    """
    if not isinstance(data, Mapping) or data.get("name") not in ("list", "start", "end"):
        raise ConfigError("a request about planned work has a name: list, start or end")
    minutes = data.get("minutes")
    if minutes is not None:
        plain = isinstance(minutes, int | float) and not isinstance(minutes, bool)
        if not plain or not math.isfinite(minutes) or not 0 < minutes <= 366 * 24 * 60:
            raise ConfigError("minutes must be a number above 0 and at most a year")
    work, who, comment = (_text(data, key) for key in ("work", "who", "comment"))
    return WorkRequest(str(data["name"]), work, who, comment, minutes)


def remote_of(data: object) -> str:
    """Return the address that a request came from, for the audit; empty: this machine's socket."""
    return _text(data, "remote") if isinstance(data, Mapping) else ""


def answer_of(
    request: WorkRequest, put: Callable[[WorkRequest], None], within_s: float
) -> dict[str, Any]:
    """Hand a request to the loop, and return its answer; any other thread.

    Raises:
        UnknownWork, IllegalCommand: refused; nothing was changed.
        TransientError: not durable within so many seconds; it may still become so.
    """
    put(request)
    try:
        return request.answer.result(within_s)
    except TimeoutError as late:
        raise TransientError("this is not durable yet: look at the work again") from late


def _text(data: Mapping[str, Any], key: str) -> str:
    value = data.get(key, "")
    if not isinstance(value, str) or len(value) > _LONGEST:
        raise ConfigError(f"{key} must be text of at most {_LONGEST} characters")
    return value.encode("utf-8", "replace").decode()


def _may_shelve(alarm: Alarm, until: Micros) -> bool:
    if alarm.service_state is ServiceState.OUT_OF_SERVICE:
        return False
    return alarm.shelved_until is None or alarm.shelved_until < until


def _as_text(running: Running) -> str:
    return json.dumps(
        {
            "work": running.work,
            "who": running.who,
            "comment": running.comment,
            "started": running.started,
            "ends": running.ends,
            "ended": running.ended,
            "check_at": running.check_at,
            "shelved": dict(running.shelved or {}),
            "unmet": list(running.unmet),
        }
    )


def _from_text(text: str) -> Running:
    data = json.loads(text)
    return Running(**{**data, "unmet": tuple(data["unmet"])})
