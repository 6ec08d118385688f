"""Planned work of the page's Harbour Hall, on the real desk; what it decides goes where told."""

import threading
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from weirwatch.domain.alarm import Alarm, Event
from weirwatch.domain.book import make_ready
from weirwatch.domain.engine import start
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.planned_work import NOT_ENDED, PlannedWork
from weirwatch.domain.reading import Quality
from weirwatch.domain.rule import BuiltIn, ChannelBeyond, Priority, Rule, RuleBook, Side
from weirwatch.domain.state import Decision, Observed
from weirwatch.pipeline.work_desk import WorkDesk, request_from
from weirwatch.settings import Settings

_MINUTE: Micros = 60 * SECOND
ENDED = Rule(
    NOT_ENDED,
    "Planned work not ended",
    "system",
    BuiltIn(),
    NOT_ENDED,
    priority=Priority.MEDIUM,
)


def planned_works(flow: str, level: str, ph: str) -> tuple[PlannedWork, ...]:
    """A feeding pause, a water change and a probe in its cup."""
    shelved = 720 * _MINUTE
    flows = ChannelBeyond(flow, Side.HIGH, 4500.0)
    return (
        PlannedWork(
            "feeding-pause", "Feeding pause", 10 * _MINUTE, 2 * _MINUTE,
            ("return-flow-lost", "reactor-flow-lost"), (flows,), shelved,
        ),
        PlannedWork(
            "water-change", "Water change", 60 * _MINUTE, 5 * _MINUTE,
            ("return-flow-lost", "reactor-flow-lost", "sump-level-high", "room-too-hot"),
            (flows, ChannelBeyond(level, Side.HIGH, 280.0)), shelved,
        ),
        PlannedWork(
            "probe-calibration", "Probe in its calibration cup", 30 * _MINUTE, 5 * _MINUTE,
            ("room-too-hot",), (), shelved, frozenset({ph}),
        ),
    )  # fmt: skip


class Works:
    """The desk, and what its next commit makes durable (`pipeline.work_desk.Record`)."""

    def __init__(
        self,
        settings: Settings,
        now: Callable[[], Micros],
        commit: Callable[[Iterable[Alarm], Iterable[Event]], None],
    ) -> None:
        channels = {channel.id: channel for channel in settings.channels}
        rules = {rule.id: rule for rule in settings.rules}
        book = make_ready(RuleBook(rules, channels, settings.service.time_zone))
        works = {work.id: work for work in settings.planned_works}
        self._now = now
        self._commit = commit
        self._lock = threading.Lock()
        self._state = start({}, {}, book, now(), link_up=True)
        self._alarms: list[Alarm] = []
        self._events: list[Event] = []
        self._desk = WorkDesk(works, book, self._state, self, {})

    def read(self, values: Mapping[str, float], when: Micros) -> None:
        """Good readings have come, for the checks."""
        with self._lock:
            for channel, value in values.items():
                self._state.observed[channel] = Observed(
                    when, value, Quality.GOOD, "", when, when, value, when
                )

    def ask(self, data: Mapping[str, Any]) -> Mapping[str, Any]:
        """What the core does with a request; time has passed first."""
        with self._lock:
            request, now = request_from(data), self._now()
            self._desk.pass_time(now)
            self._desk.take(request, now)
            alarms, events, self._alarms, self._events = self._alarms, self._events, [], []
            if alarms or events:
                self._commit(alarms, events)
            self._desk.committed()
            return request.answer.result(0)

    def decision(self, decision: Decision) -> None:
        self._alarms.extend(decision.alarms.values())
        self._events.extend(decision.events)

    def event(self, event: Event) -> None:
        self._events.append(event)

    def keep(self, key: str, text: str | None) -> None:
        """Nothing outlives the test."""
