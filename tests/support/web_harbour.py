"""Harbour Hall in a real SQLite file, and a core that can be told what to do."""

import contextlib
import queue
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.alarm import Alarm, AlarmState, Event, ServiceState
from weirwatch.domain.book import make_ready
from weirwatch.domain.engine import start
from weirwatch.domain.errors import IllegalCommand, TransientError, UnknownRule
from weirwatch.domain.failures import Catalogue
from weirwatch.domain.instant import SECOND, Instant, Micros, from_rfc3339, to_rfc3339
from weirwatch.domain.planned_work import NOT_ENDED, PlannedWork
from weirwatch.domain.reading import Channel, Quality
from weirwatch.domain.rule import (
    Absolute,
    BuiltIn,
    ChannelBeyond,
    Discrepancy,
    Priority,
    Rule,
    RuleBook,
    Side,
    SwitchIs,
)
from weirwatch.domain.state import Decision
from weirwatch.pipeline.explain import explain
from weirwatch.pipeline.log_desk import LogDesk
from weirwatch.pipeline.queries import alarm_of, live_event
from weirwatch.pipeline.work_desk import WorkDesk, request_from
from weirwatch.ports import Archive, Command, Group, NodeState, Notice, StoredEvent
from weirwatch.settings import (
    BrokerSettings,
    HistorySettings,
    PlantSettings,
    PumpSettings,
    RecipientSettings,
    ServiceSettings,
    Settings,
    SystemSettings,
    VesselSettings,
    WebSettings,
)
from weirwatch.store.log_book import LogBook
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

NOON: Micros = from_rfc3339("2026-05-01T12:00:00Z")
LEVEL = Channel(
    "harbour-hall/sump-node/level",
    "level",
    "mm",
    expected_every=5 * SECOND,
    silent_after=15 * SECOND,
    valid=(0.0, 450.0),
    vessel="sump",
    title="Sump level",
)
FLOW = Channel("harbour-hall/sump-node/return-flow", "flow", "L/h", expected_every=5 * SECOND)
LEAK = Channel("harbour-hall/hall-node/leak", "switch")
SILENT = Channel("harbour-hall/hall-node/north-temperature", "temperature", "Cel")

HIGH = Rule(
    "sump-level-high",
    "Sump level high",
    "absolute",
    Absolute(Side.HIGH, 310.0, 10.0),
    "sump-high",
    channel=LEVEL.id,
    priority=Priority.HIGH,
    response="Look at the sump; check the top-off history.",
)
NO_FLOW = Rule(
    "return/flow-lost",
    "Return flow lost",
    "discrepancy",
    Discrepancy(30 * SECOND, minimum=5000.0),
    "return-pump-stopped",
    channel=FLOW.id,
    priority=Priority.CRITICAL,
)
WET = Rule(
    "floor-leak",
    "Water on the floor",
    "absolute",
    SwitchIs(True),
    "floor-leak",
    channel=LEAK.id,
    priority=Priority.CRITICAL,
    bold=True,
)
BROKER = Rule("broker-lost", "Broker lost", "system", BuiltIn(), "broker-lost")
ENDED = Rule(NOT_ENDED, "Planned work not ended", "system", BuiltIn(), NOT_ENDED)
PAUSE = PlannedWork(
    "feeding-pause",
    "Feeding pause",
    600 * SECOND,
    120 * SECOND,
    (NO_FLOW.id,),
    (ChannelBeyond(FLOW.id, Side.HIGH, 5000.0),),
    720 * 60 * SECOND,
)
OFFLINE = Rule("node-offline/hall-node", "Node offline", "system", BuiltIn(), "node-offline")

RAISED = Alarm(
    HIGH.id,
    state=AlarmState.UNACKNOWLEDGED,
    present=True,
    raised_at=NOON - 60 * SECOND,
    value=318.0,
    raised_value=312.0,
    announced=True,
    heard=True,
    message="312 mm, at or above 310 mm",
)


def harbour_settings(folder: Path) -> Settings:
    """Return settings without any file behind them."""
    return Settings(
        source=folder / "weirwatch.toml",
        service=ServiceSettings(folder, 5 * SECOND, None, ZoneInfo("Europe/Oslo"), 60 * SECOND),
        broker=BrokerSettings("auto", ("127.0.0.1", 0), "weirwatch", "3.1.1", None, None, "ww"),
        web=WebSettings("127.0.0.1", 0),
        history=HistorySettings(),
        systems=(SystemSettings("harbour-hall", "Harbour Hall"),),
        channels=(LEVEL, FLOW, LEAK, SILENT),
        rules=(HIGH, NO_FLOW, WET, BROKER, OFFLINE),
        taps=(),
        planned_works=(PAUSE,),
        recipients=(RecipientSettings("console", "console"),),
        plant=PlantSettings(
            system="harbour-hall",
            vessels=(
                VesselSettings("north", "North", "display", 1400.0, 2.0, 0.7, crest_m=0.66),
                VesselSettings("sump", "Sump", "sump", 420.0, 0.7, 0.6, level_channel=LEVEL.id),
            ),
            pump=PumpSettings("return", 6000.0, 2.2, 4.0, 6.0, 0.04, 110.0),
            loops=(),
            heaters=(),
            top_off=None,
            room_degc=20.0,
            loss_w_per_k=60.0,
            evaporation_l_per_day=25.0,
            salinity=35.0,
        ),
    )


class StillClock:
    """A clock that stands until it is moved."""

    speed = 1.0

    def __init__(self, utc: Micros = NOON) -> None:
        self.utc = utc

    def now(self) -> Instant:
        """Return the time it was set to."""
        return Instant(self.utc, self.utc)

    def real_mono(self) -> Micros:
        """Return the same."""
        return self.utc


class Harbour:
    """A journal, an archive on the same file, and what stands in it."""

    def __init__(self, folder: Path) -> None:
        self.settings = harbour_settings(folder)
        self.path = folder / FILE_NAME
        self.journal = SqliteJournal(self.path)
        former = Channel("harbour-hall/old-node/ph", "ph", "pH")
        self.journal.adopt([former], [])
        channels = (*self.settings.channels, former)
        self.numbers = dict(self.journal.adopt(channels, self.settings.rules))
        self.archive: Archive = SqliteArchive(self.path)
        self.catalogue: Catalogue = load_catalogue()
        self.clock = StillClock()
        self.seq = 0

    def add_readings(self, channel: Channel, values: Mapping[Micros, float]) -> None:
        """Store good readings."""
        number = self.numbers[channel.id]
        rows = [(time, number, value, int(Quality.GOOD), "") for time, value in values.items()]
        self.journal.commit(Group(readings=rows, committed_at=self.clock.utc))

    def add_events(self, *events: Event) -> list[StoredEvent]:
        """Store events in one commit."""
        numbered = []
        for event in events:
            self.seq += 1
            numbered.append((self.seq, event))
        self.journal.commit(Group(events=numbered, committed_at=self.clock.utc))
        return [StoredEvent(seq, self.clock.utc, event) for seq, event in numbered]

    def set_alarm(self, alarm: Alarm) -> None:
        """Store the state of an alarm."""
        self.journal.commit(Group(alarms={alarm.rule: alarm}, committed_at=self.clock.utc))

    def furnish(self) -> None:
        """Put a little of everything into the file."""
        self.add_readings(LEVEL, {NOON - n * 5 * SECOND: 300.0 + n % 7 for n in range(1, 400)})
        self.add_readings(FLOW, {NOON - 3600 * SECOND: 5900.0})
        self.set_alarm(RAISED)
        self.set_alarm(Alarm(WET.id, service_state=ServiceState.SHELVED, shelved_until=NOON))
        stored = self.add_events(*(raised(n) for n in range(30)))
        notice = Notice("30-console", stored[-1].seq, "console", NOON, "HIGH: Sump level high", {})
        late = replace(notice, id="29-console", event_seq=29, next_try=NOON + SECOND, attempts=2)
        node = NodeState("harbour-hall/sump-node", True, NOON - 900 * SECOND, "mains")
        self.journal.commit(
            Group(notices=[late, notice], nodes={node.node: node}, committed_at=NOON)
        )

    def close(self) -> None:
        """Close both ends."""
        self.archive.close()
        self.journal.close()


def raised(number: int = 0) -> Event:
    """Return an event of the sump's rule."""
    return Event(
        NOON - 60 * SECOND + number,
        "raised",
        HIGH.id,
        LEVEL.id,
        "normal",
        "unacknowledged",
        "in-service",
        "in-service",
        312.0,
        annunciated=True,
        message="312 mm, at or above 310 mm",
    )


class _NoRecord:
    """`pipeline.work_desk.Record` that keeps nothing."""

    def decision(self, decision: Decision) -> None:
        """Do nothing."""

    def event(self, event: Event) -> None:
        """Do nothing."""

    def keep(self, key: str, text: str | None) -> None:
        """Do nothing."""


def _desk(settings: Settings) -> WorkDesk:
    rules = {r.id: r for r in (*settings.rules, ENDED)}
    channels = {channel.id: channel for channel in settings.channels}
    book = make_ready(RuleBook(rules, channels, settings.service.time_zone))
    works = {work.id: work for work in settings.planned_works}
    return WorkDesk(works, book, start({}, {}, book, NOON, link_up=True), _NoRecord(), {})


class FakeCore:
    """A core (port `Core`) without a loop: commands are noted, and refused where told so."""

    def __init__(self, harbour: Harbour) -> None:
        self.commands: list[Command] = []
        self.works: list[Mapping[str, Any]] = []  # listing left out
        self.gone = False
        self.failing: Exception | None = None
        self._harbour = harbour
        self.desk = _desk(harbour.settings)
        self._listeners: list[queue.Queue[Mapping[str, Any] | None]] = []

    def command(self, command: Command) -> Mapping[str, Any]:
        """Note the command and return the alarm as it stands."""
        self._check()
        harbour = self._harbour
        if command.rule not in [rule.id for rule in harbour.settings.rules]:
            raise UnknownRule(f"no rule has the id {command.rule!r}")
        standing = harbour.archive.alarms().get(command.rule, Alarm(command.rule)).stands
        if command.name == "acknowledge" and not standing:
            raise IllegalCommand(f"{command.rule}: there is nothing to acknowledge")
        self.commands.append(command)
        return alarm_of(harbour.archive, harbour.settings, harbour.catalogue, command.rule)

    def log(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """Write into the log as the core does."""
        self._check()
        book = LogBook(self._harbour.path)
        try:
            return LogDesk(book, self._harbour.settings, self._harbour.clock).handle(request)
        finally:
            book.close()

    def health(self) -> Mapping[str, Any]:
        """Return a small document."""
        self._check()
        return {"status": "ok", "problems": [], "time": to_rfc3339(NOON), "committed_at": None}

    def explain(self, rule: str) -> Mapping[str, Any]:
        """Explain from the alarms of the file, as an engine that has just started would."""
        self._check()
        harbour = self._harbour
        settings = harbour.settings
        rules = {r.id: r for r in settings.rules}
        channels = {channel.id: channel for channel in settings.channels}
        book = make_ready(RuleBook(rules, channels, settings.service.time_zone))
        alarms = dict(harbour.archive.alarms())
        return explain(start(alarms, {}, book, NOON, link_up=True), book, rule, NOON)

    def work(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """Keep planned work as the real desk does, on an engine of its own at noon."""
        self._check()
        asked = request_from(request)
        if asked.name != "list":
            self.works.append(request)
        self.desk.take(asked, NOON)
        self.desk.committed()
        return asked.answer.result(0)

    @contextlib.contextmanager
    def listen(self) -> Iterator[Iterator[Mapping[str, Any]]]:
        """Yield what is published until `hang_up` or until the context is left."""
        self._check()
        waiting: queue.Queue[Mapping[str, Any] | None] = queue.Queue()
        self._listeners.append(waiting)
        try:
            yield iter(waiting.get, None)
        finally:
            waiting.put(None)

    def publish(self, *stored: StoredEvent) -> None:
        """Tell listeners of events."""
        for waiting in self._listeners:
            for event in stored:
                waiting.put(live_event(event))

    def hang_up(self) -> None:
        """End every listening, as a core does that ends."""
        self.gone = True
        for waiting in self._listeners:
            waiting.put(None)

    def _check(self) -> None:
        if self.gone:
            raise TransientError("the service does not run; start it with: weirwatch serve")
        if self.failing is not None:
            raise self.failing
