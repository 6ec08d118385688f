"""One live drill: a second engine beside the real one, fed from topics of its own.

It has the keeper's rules, recipients and roster, but its own inbox, state, clock and journal, a
file in a folder of its own that goes when the drill is over. It shares nothing with the real
engine, so that nothing of it can reach the real record. Every notice and event carries its mark.
"""

import logging
import shutil
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from weirwatch.domain.book import make_ready
from weirwatch.domain.engine import start as start_engine
from weirwatch.domain.failures import Catalogue
from weirwatch.domain.instant import SECOND, Micros, to_rfc3339
from weirwatch.domain.rule import BadMeasurement, RuleBook
from weirwatch.pipeline.counters import Counters
from weirwatch.pipeline.derive import Deriver
from weirwatch.pipeline.inbox import Inbox, LinkRequest
from weirwatch.pipeline.live_drill_marks import DrillBuilder, DrillWriter
from weirwatch.pipeline.loop import Loop, LoopParts
from weirwatch.pipeline.news import News
from weirwatch.pipeline.outbox import Outbox
from weirwatch.pipeline.shapes import event_json
from weirwatch.pipeline.timekeeper import Timekeeper
from weirwatch.ports import (
    Clock,
    Decoder,
    Group,
    Journal,
    Notifier,
    OutboxStore,
    StoredEvent,
    Transport,
    WireMessage,
)
from weirwatch.settings import Settings, drill_root

log = logging.getLogger(__name__)

LOST_AFTER: Micros = 30 * SECOND  # real; whoever plays it must be heard more often
MOST_EVENTS = 2000  # kept for whoever plays it
_LOOK_S = 0.5
_DELIVER_S = 5.0  # for what is on its way when a drill ends by itself
_JOIN_S = 10.0


@dataclass(frozen=True, slots=True)
class LiveDrillParts:
    """What a live drill is made of, besides the settings.

    Attributes:
        clock: the service's.
        folder: of the drill's own file; made, and removed when it is over.
        drill_clock: makes its clock from (speed, plant time now).
        decoder, transport, journal, outbox, notifiers: make its own of each.
        offline_rules: node (`system/node`) → id of its node-offline rule.
        commit_unacked: as in the service.
    """

    clock: Clock
    catalogue: Catalogue
    folder: Path
    drill_clock: Callable[[float, Micros], Clock]
    decoder: Callable[[Settings], Decoder]
    transport: Callable[
        [Settings, Callable[[WireMessage], None], Callable[[bool], None], Clock], Transport
    ]
    journal: Callable[[Path], Journal]
    outbox: Callable[[Path], OutboxStore]
    notifiers: Callable[[], Mapping[str, Notifier]]
    offline_rules: Mapping[str, str]
    commit_unacked: int


@dataclass(frozen=True, slots=True)
class Asked:
    """What is to be played.

    Attributes:
        failure, title: of the catalogue.
        says: what happens, in a sentence.
        who: plays it.
        span: real, at most.
        speed: of the plant's time.
        plant_time: when it starts, in plant time.
        unfed: channels that the plant has no probe for: their silence says nothing.
    """

    failure: str
    title: str
    says: str
    who: str
    span: Micros
    speed: float
    plant_time: Micros
    unfed: frozenset[str] = frozenset()


class LiveDrill:
    """Runs from `start` until `end`, by whatever reason, and tells `over` of that once."""

    def __init__(
        self,
        parts: LiveDrillParts,
        settings: Settings,
        asked: Asked,
        over: Callable[[str, bool], None],
    ) -> None:
        """Make everything; nothing runs yet.

        Raises:
            WeirwatchError: its file or a notifier cannot be made; nothing is left behind.
        """
        self.asked = asked
        self.started: Micros = parts.clock.now().utc
        self.ends: Micros = self.started + round(asked.span * parts.clock.speed)
        self.name = f"drill-{self.started}"
        self.why = ""
        self.clock = parts.drill_clock(asked.speed, asked.plant_time)
        self._folder = parts.folder
        self._real = parts.clock
        self._ends_mono = self._real.real_mono() + asked.span
        self._beat_mono = self._real.real_mono()
        self._over = over
        self._ended = threading.Event()
        self._done = threading.Event()
        self._lock = threading.Lock()
        self._aborted = False
        self._events: list[Mapping[str, Any]] = []
        self._counters = Counters()
        self._inbox = Inbox()
        self._folder.mkdir(mode=0o700)
        path = self._folder / "drill.sqlite"
        self._journal = parts.journal(path)
        self._open_outbox = partial(parts.outbox, path)
        try:
            self._outbox = Outbox(
                self._open_outbox,
                parts.notifiers(),
                self.clock,
                Timekeeper(self.clock, None),
                _unheard,
            )
            self._transport = parts.transport(
                of_drill(settings, asked.unfed),
                self._inbox.put,
                lambda up: self._inbox.put(LinkRequest(up)),
                self.clock,
            )
            self._loop = self._make_loop(parts, of_drill(settings, asked.unfed))
        except BaseException:
            self._journal.close()
            shutil.rmtree(self._folder, ignore_errors=True)
            raise
        self._threads = [
            threading.Thread(target=target, name=name, daemon=True)
            for name, target in (
                ("drill-loop", self._turn),
                ("drill-outbox", self._outbox.run),
                ("drill", self._watch),
            )
        ]

    def start(self) -> None:
        """Begin to listen and to judge."""
        for thread in self._threads:
            thread.start()
        self._transport.start()
        log.info("drill.started failure=%s who=%s", self.asked.failure, self.asked.who)

    @property
    def under_way(self) -> bool:
        """Whether it has not ended."""
        return not self._ended.is_set()

    def beat(self) -> None:
        """Hear that whoever plays it is still there."""
        self._beat_mono = self._real.real_mono()

    def end(self, why: str, *, alarm: bool = False) -> None:
        """End it; the first reason counts. Never blocks, from any thread.

        Args:
            why: in a few words.
            alarm: a real alarm has ended it: notices that have not gone out stay unsent.
        """
        with self._lock:
            if self._ended.is_set():
                return
            self.why = why
            self._aborted = alarm
            if alarm:
                self._outbox.stop()
            self._ended.set()
        log.info("drill.ended failure=%s why=%s", self.asked.failure, why)
        self._over(why, alarm)

    def join(self, seconds: float) -> None:
        """Wait until nothing of it is left."""
        self._done.wait(seconds)

    def as_json(self, after: int = 0) -> dict[str, Any]:
        """Return how it stands, with its events numbered above `after`."""
        return {
            **self.facts(),
            "under_way": self.under_way,
            "gone": self._done.is_set(),
            "why_ended": self.why,
            "by_alarm": self._aborted,
            "topics": self._topics,
            "connection": self._transport.state(),
            "messages": self._counters.messages,
            "quarantined": self._counters.quarantined,
            "notices": {
                "delivered": self._outbox.delivered,
                "failures": self._outbox.failures,
                "given_up": self._outbox.given_up,
            },
            "events": [event for event in list(self._events) if event["seq"] > after],
        }

    def facts(self) -> dict[str, Any]:
        """Return what it is, for health."""
        return {
            "id": self.name,
            "failure": self.asked.failure,
            "title": self.asked.title,
            "says": self.asked.says,
            "who": self.asked.who,
            "speed": self.asked.speed,
            "started_at": to_rfc3339(self.started),
            "ends_at": to_rfc3339(self.ends),
        }

    # --- its own threads ------------------------------------------------------------------------

    def _watch(self) -> None:
        while not self._ended.wait(_LOOK_S):
            now = self._real.real_mono()
            if now >= self._ends_mono:
                self.end("its time is over")
            elif now - self._beat_mono > LOST_AFTER:
                self.end("whoever played it is gone")
        try:
            self._take_down()
        except Exception:  # whatever is left behind, the next start removes
            log.exception("drill.not_taken_down")
        finally:
            self._done.set()

    def _take_down(self) -> None:
        self._transport.close()
        self._loop.stop()
        self._threads[0].join(_JOIN_S)
        self._send_rest()
        self._outbox.stop()
        self._threads[1].join(_JOIN_S)
        self._journal.close()
        shutil.rmtree(self._folder, ignore_errors=True)

    def _send_rest(self) -> None:
        """Give what is due a moment to go out, unless a real alarm has stopped the outbox."""
        if self._aborted:
            return
        store, pause = self._open_outbox(), threading.Event()
        try:
            for _ in range(round(_DELIVER_S / _LOOK_S)):
                due = store.next_due()
                if due is None or due > self.clock.now().utc:
                    return
                pause.wait(_LOOK_S)
        finally:
            store.close()

    def _turn(self) -> None:
        try:
            self._loop.run()
        except Exception as failure:
            log.exception("drill.loop_died")
            self.end(f"the drill itself failed ({failure})")

    def _make_loop(self, parts: LiveDrillParts, settings: Settings) -> Loop:
        rules = {rule.id: rule for rule in settings.rules}
        channels = {channel.id: channel for channel in settings.channels}
        book = make_ready(RuleBook(rules, channels, settings.service.time_zone))
        state = start_engine({}, {}, book, self.clock.now().utc, link_up=False)
        numbers = self._journal.adopt(settings.channels, settings.rules)
        writer = DrillWriter(self.name, settings, parts.catalogue, state.observed)
        systems = {rule: node.split("/")[0] for node, rule in parts.offline_rules.items()}
        news = News(
            settings, writer, state, numbers, self._transport, _unheard, self._outbox.wake, systems
        )
        self._topics = settings.broker.root

        def told(group: Group) -> None:
            news.committed(group)
            self._note(group)

        return Loop(
            LoopParts(
                book=book,
                state=state,
                journal=self._journal,
                decoder=parts.decoder(settings),
                transport=self._transport,
                clock=self.clock,
                timekeeper=Timekeeper(self.clock, None),
                builder=DrillBuilder(rules, numbers, state.alarms, writer, 1),
                inbox=self._inbox,
                counters=self._counters,
                offline_rules=parts.offline_rules,
                nodes={},
                commit_every=settings.service.commit_every,
                commit_unacked=parts.commit_unacked,
                told=told,
                deriver=Deriver(settings.derived, settings.channels) if settings.derived else None,
            )
        )

    def _note(self, group: Group) -> None:
        room = MOST_EVENTS - len(self._events)
        self._events += [
            event_json(StoredEvent(seq, group.committed_at, event))
            for seq, event in group.events[:room]
        ]


def of_drill(settings: Settings, unfed: frozenset[str]) -> Settings:
    """Return the settings that a drill runs on: topics and client id of its own.

    Rules that tell of the silence of a channel are left out where the plant has no probe for it.
    """
    broker = replace(
        settings.broker,
        root=drill_root(settings.broker.root),
        client_id=f"{settings.broker.client_id}-drill",
    )
    rules = tuple(
        rule
        for rule in settings.rules
        if rule.channel not in unfed or not isinstance(rule.condition, BadMeasurement)
    )
    return replace(settings, broker=broker, rules=rules)


def _unheard(_: object) -> None:
    """Drop what would go to listeners and alarms of the real service."""
