"""Harbour Hall for the tests of the page: a real store, a scripted core, a real web server.

By hand: `python tests/support/page_world.py DIR [normal|alarm] [PORT]` serves the page and keeps
readings coming.
"""

import itertools
import math
import queue
import socket
import sys
import threading
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import uvicorn
from support.page_works import ENDED, Works, planned_works

from weirwatch.clock import ScaledClock, SystemClock
from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.alarm import Alarm, AlarmState, Event, ServiceState
from weirwatch.domain.errors import IllegalCommand, TransientError, UnknownRule
from weirwatch.domain.instant import SECOND, Micros, to_rfc3339
from weirwatch.domain.reading import Channel
from weirwatch.domain.rule import Absolute, Discrepancy, Priority, Rule, Side, SwitchIs
from weirwatch.pipeline.log_desk import LogDesk
from weirwatch.ports import Command, Group, NodeState, Notice, Quarantined
from weirwatch.settings import (
    BrokerSettings,
    HistorySettings,
    JobSettings,
    LoopSettings,
    PlantSettings,
    PumpSettings,
    RecipientSettings,
    ServiceSettings,
    Settings,
    SupplySettings,
    SystemSettings,
    VesselSettings,
    WebSettings,
)
from weirwatch.store.log_book import LogBook
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal
from weirwatch.store.sqlite_outbox import SqliteOutbox
from weirwatch.web.access import Access
from weirwatch.web.app import create_app
from weirwatch.web.page import mount

MINUTE: Micros = 60 * SECOND
_EVERY, _SILENT = 5 * SECOND, 15 * SECOND


def _channel(
    node: str,
    name: str,
    quantity: str,
    unit: str = "",
    resolution: float | None = None,
    vessel: str = "",
) -> Channel:
    title = _TITLES.get(name, "")
    return Channel(
        f"harbour-hall/{node}/{name}", quantity, unit, _EVERY, _SILENT, None, resolution, 0,
        vessel, title,
    )  # fmt: skip


_TITLES = {"ph": "pH", "uv-flow": "UV flow", "sump-level": "Level, second probe"}


CHANNELS = (
    _channel("sump-node", "level", "level", "mm", 1, "sump"),
    _channel("sump-node", "temperature", "temperature", "Cel", 0.01, "sump"),
    _channel("sump-node", "return-flow", "flow", "L/h", 10, "sump"),
    _channel("sump-node", "uv-flow", "flow", "L/h", 5, "sump"),
    _channel("sump-node", "refuge-flow", "flow", "L/h", 5, "refuge"),
    _channel("sump-node", "reactor-flow", "flow", "L/h", 0.5, "sump"),
    _channel("sump-node", "skimmer-flow", "flow", "L/h", 10, "sump"),
    _channel("sump-node", "conductivity", "conductivity", "mS/cm", 0.01, "sump"),
    _channel("sump-node", "ph", "ph", "pH", 0.01, "sump"),
    _channel("sump-node", "reservoir-level", "level", "mm", 1, "reservoir"),
    _channel("sump-node", "top-off", "switch", "", None, "reservoir"),
    _channel("sump-node", "heater-power", "power", "W", 1, "sump"),
    _channel("hall-node", "north-level", "level", "mm", 1, "north"),
    _channel("hall-node", "north-temperature", "temperature", "Cel", 0.01, "north"),
    _channel("hall-node", "south-level", "level", "mm", 1, "south"),
    _channel("hall-node", "south-temperature", "temperature", "Cel", 0.01, "south"),
    _channel("hall-node", "refuge-level", "level", "mm", 1, "refuge"),
    _channel("hall-node", "refuge-temperature", "temperature", "Cel", 0.01, "refuge"),
    _channel("hall-node", "lights", "switch", "", None, "north"),
    _channel("power-node", "mains", "switch"),
    _channel("power-node", "battery", "charge", "%", 1),
    _channel("power-node", "battery-voltage", "voltage", "V", 0.01),
    _channel("power-node", "room-temperature", "temperature", "Cel", 0.1),
    _channel("power-node", "sump-level", "level", "mm", 1, "sump"),
    replace(_channel("power-node", "floor-dry", "switch"), title="Floor", states=("wet", "dry")),
    _channel("power-node", "high-float-closed", "switch", "", None, "sump"),
)
NORMAL = dict(
    zip(
        (channel.id for channel in CHANNELS),
        (
            *(300, 25.5, 6000, 1000, 700, 60, 1800, 53.6, 8.14, 430, 0, 300),
            *(1167, 25.48, 1125, 25.51, 520, 25.46, 1),
            *(1, 100, 13.6, 21.8, 301, 1, 1),
        ),
        strict=True,
    )
)
LEVEL, RETURN = "harbour-hall/sump-node/level", "harbour-hall/sump-node/return-flow"
ROOM = "harbour-hall/power-node/room-temperature"

RULES = (
    Rule(
        id="sump-level-high",
        title="Sump level high",
        kind="absolute",
        condition=Absolute(Side.HIGH, 345.0, 10.0),
        failure="sump-high",
        channel=LEVEL,
        priority=Priority.HIGH,
        response="Look at the sump camera; look up how long the top-off has run.",
        suppressed_by=("mains-lost",),
    ),
    Rule(
        id="return-flow-lost",
        title="Return flow lost",
        kind="discrepancy",
        condition=Discrepancy(20 * SECOND, minimum=4000.0, deadband=200.0),
        failure="return-pump-stopped",
        channel=RETURN,
        priority=Priority.HIGH,
        response="Start the battery air pumps in north and south.",
    ),
    Rule(
        id="floor-leak",
        title="Water on the floor",
        kind="absolute",
        condition=SwitchIs(False),
        failure="floor-leak",
        channel="harbour-hall/power-node/floor-dry",
        priority=Priority.CRITICAL,
        bold=True,
        response="The main switch is in the hall, on the left of the front door.",
    ),
    Rule(
        id="mains-lost",
        title="Mains power lost",
        kind="absolute",
        condition=SwitchIs(False),
        failure="mains-lost",
        channel="harbour-hall/power-node/mains",
        priority=Priority.CRITICAL,
        bold=True,
        response="Call the power company's line on the fridge door.",
    ),
    Rule(
        id="room-too-hot",
        title="Room too hot",
        kind="absolute",
        condition=Absolute(Side.HIGH, 28.0, 0.5),
        failure="room-too-hot",
        channel=ROOM,
        priority=Priority.LOW,
    ),
    Rule(
        id="reactor-flow-lost",
        title="Reactor flow lost",
        kind="absolute",
        condition=Absolute(Side.LOW, 30.0, 5.0),
        failure="side-loop-flow-lost",
        channel="harbour-hall/sump-node/reactor-flow",
        priority=Priority.MEDIUM,
        latching=True,
        response="Leave the loop shut if it stood for hours.",
    ),
    ENDED,
)

PLANT = PlantSettings(
    system="harbour-hall",
    vessels=(
        VesselSettings("north", "North", "display", 1400, 1.2, 1.25, None, 1.157, 0.6, 0.02, True,
                       "harbour-hall/hall-node/north-level"),
        VesselSettings("south", "South", "display", 900, 0.8, 1.25, None, 1.116, 0.5, 0.02, True,
                       "harbour-hall/hall-node/south-level"),
        VesselSettings("refuge", "Refuge", "refuge", 260, 0.5, 0.6, None, 0.514, 0.3, 0.0, True,
                       "harbour-hall/hall-node/refuge-level"),
        VesselSettings("sump", "Sump", "sump", 420, 1.0, 0.42, 300, None, None, 0.0, True, LEVEL),
        VesselSettings("reservoir", "Top-off reservoir", "reservoir", 120, 0.2, 0.65,
                       level_channel="harbour-hall/sump-node/reservoir-level"),
    ),
    pump=PumpSettings("return-pump", 6000, 2.0, 5.0, 6, 0.0409, 85),
    loops=(
        LoopSettings("uv", "UV unit", "sump", 1000),
        LoopSettings("refuge", "Refuge", "refuge", 700),
        LoopSettings("reactor", "Calcium reactor", "sump", 60),
    ),
    heaters=(),
    top_off=None,
    room_degc=22,
    loss_w_per_k=60,
    evaporation_l_per_day=20,
    salinity=35,
)  # fmt: skip


def settings(folder: Path) -> Settings:
    """Harbour Hall, a part of its rules."""
    return Settings(
        source=folder / "harbour-hall.toml",
        service=ServiceSettings(folder, _EVERY, None, ZoneInfo("Europe/Oslo"), MINUTE),
        broker=BrokerSettings("auto", ("127.0.0.1", 0), "weirwatch", "3.1.1", None, None, "w"),
        web=WebSettings("127.0.0.1", 0),
        history=HistorySettings(),
        systems=(SystemSettings("harbour-hall", "Harbour Hall"),),
        channels=CHANNELS,
        rules=RULES,
        taps=(),
        planned_works=planned_works(RETURN, LEVEL, "harbour-hall/sump-node/ph"),
        recipients=(RecipientSettings("console", "console"),),
        plant=PLANT,
        jobs=(
            JobSettings(
                "return-pump-cleaning", "Clean the return pump", "harbour-hall", 90,
                where="Sump cabinet, breaker 4", instructions="Power off first.",
            ),
            JobSettings("rcd-test", "Test the RCD", "harbour-hall", 30, 3),
        ),
        supplies=(
            SupplySettings("gas-bottle", "Gas bottle", "harbour-hall", "kg", 6.0, count_error=0.05),
            SupplySettings(
                "reservoir", "Reservoir", "harbour-hall", "L", 120.0, 2.0,
                channel="harbour-hall/sump-node/reservoir-level", per_unit=0.2,
            ),
        ),
    )  # fmt: skip


class Keeper:
    """Port `LogKeeper`, on the real desk and the real file."""

    def __init__(self, book: LogBook, desk: LogDesk) -> None:
        self.book = book
        self.desk = desk

    def log(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        return self.desk.handle(request)


class World:
    """The file, and a core that does as it is told. Port `Core`.

    Attributes:
        commands: what the core was asked to do, in order.
        works: what it was asked about planned work, listing left out.
        answers: False makes it refuse; None makes it hang.
    """

    def __init__(self, folder: Path, clock: SystemClock | ScaledClock | None = None) -> None:
        self.settings = settings(folder)
        self.clock = clock or SystemClock()
        self.path = folder / FILE_NAME
        self.commands: list[Command] = []
        self.works: list[Mapping[str, Any]] = []
        self.answers: bool | None = True
        self.problems: list[str] = []
        self.alarms: dict[str, Alarm] = {}
        self._seq = itertools.count(1)
        self._lock = threading.Lock()
        self._listeners: list[queue.Queue[Mapping[str, Any]]] = []
        self._let_go = threading.Event()
        self._works = Works(self.settings, self.now, self._decided)
        self._commit(Group())
        self.archive = SqliteArchive(self.path)
        book = LogBook(self.path)
        self.keeper = Keeper(book, LogDesk(book, self.settings, self.clock))

    def close(self) -> None:
        self._let_go.set()
        self.keeper.book.close()
        self.archive.close()

    # --- what happens in Harbour Hall ----------------------------------------------------

    def now(self) -> Micros:
        return self.clock.now().utc

    def read(self, changes: Mapping[str, float] | None = None, at: Micros | None = None) -> None:
        """Every channel reports: its normal value, or another."""
        when = self.now() if at is None else at
        self.publish_readings({**NORMAL, **(changes or {})}, when)

    def publish_readings(self, values: Mapping[str, float], when: Micros) -> None:
        numbers = self._numbers()
        self._commit(Group(readings=[(when, numbers[c], v, 0, "") for c, v in values.items()]))
        self._works.read(values, when)
        self._tell({"readings": {c: [when, v, "good"] for c, v in values.items()}})

    def history(self, hours: float) -> None:
        """Readings each minute, with a day's swing in them."""
        numbers, end = self._numbers(), self.now()
        rows = []
        for minute in range(int(hours * 60)):
            when = end - (minute + 1) * MINUTE
            swing = math.sin(when / (24 * 60 * MINUTE) * 2 * math.pi)
            for channel in CHANNELS:
                step = channel.resolution or 0
                value = NORMAL[channel.id] + 12 * step * swing + step * (minute % 3)
                rows.append((when, numbers[channel.id], value, 0, ""))
        self._commit(Group(readings=rows))

    def set_alarm(self, alarm: Alarm, kind: str, who: str = "", comment: str = "") -> None:
        """An alarm moves, with its event and, when it is raised, its notice."""
        old = self.alarms.get(alarm.rule, Alarm(alarm.rule))
        self.alarms[alarm.rule] = alarm
        rule = next(r for r in RULES if r.id == alarm.rule)
        event = Event(
            time=self.now(), kind=kind, rule=alarm.rule, channel=rule.channel or "",
            from_state=old.state, to_state=alarm.state, service_from=old.service_state,
            service_to=alarm.service_state, value=alarm.value, annunciated=kind == "raised",
            who=who, comment=comment, message=alarm.message,
        )  # fmt: skip
        seq = next(self._seq)
        group = Group(events=[(seq, event)], alarms={alarm.rule: alarm})
        if kind == "raised":
            group.notices.append(
                Notice(f"{seq}-console", seq, "console", self.now(),
                       f"{rule.priority.value.upper()}: {rule.title}", {}, "delivered", 1, 0,
                       self.now())
            )  # fmt: skip
        self._commit(group)
        self._tell({"event": {"seq": seq, "kind": kind, "rule": alarm.rule}})

    def raise_alarm(self, rule: str, value: float, message: str, ago: Micros = 0) -> None:
        at = self.now() - ago
        self.set_alarm(
            Alarm(rule, AlarmState.UNACKNOWLEDGED, present=True, raised_at=at, value=value,
                  raised_value=value, announced=True, heard=True, message=message),
            "raised",
        )  # fmt: skip

    def add(self, group: Group) -> None:
        self._commit(group)

    def deliver(self, notice: str) -> None:
        """A notice has been taken by its recipient."""
        with self._lock:
            outbox = SqliteOutbox(self.path)
            try:
                outbox.delivered(notice, self.now())
            finally:
                outbox.close()

    def _numbers(self) -> Mapping[str, int]:
        with self._lock:
            journal = SqliteJournal(self.path)
            try:
                return journal.adopt(CHANNELS, RULES)
            finally:
                journal.close()

    def _commit(self, group: Group) -> None:
        group.committed_at = self.now()
        with self._lock:
            journal = SqliteJournal(self.path)
            try:
                journal.adopt(CHANNELS, RULES)
                journal.commit(group)
            finally:
                journal.close()

    # --- the core's side of the control socket ---------------------------------------------

    def command(self, command: Command) -> Mapping[str, Any]:
        self._answer()
        self.commands.append(command)
        alarm = self.alarms.get(command.rule, Alarm(command.rule))
        self.set_alarm(self._after(alarm, command), f"{command.name}d", command.who,
                       command.comment)  # fmt: skip
        return {"id": command.rule}

    def _after(self, alarm: Alarm, command: Command) -> Alarm:
        now = self.now()
        if command.name == "acknowledge" and alarm.state is AlarmState.UNACKNOWLEDGED:
            minutes = command.check_in_minutes
            return replace(
                alarm,
                state=AlarmState.ACKNOWLEDGED,
                acknowledged_at=now,
                acknowledged_by=command.who,
                check_in_at=now + round(minutes * MINUTE) if minutes else None,
            )
        if command.name == "shelve" and alarm.service_state is ServiceState.IN_SERVICE:
            until = now + round(command.minutes * MINUTE) if command.minutes else None
            return replace(alarm, service_state=ServiceState.SHELVED, shelved_until=until)
        if command.name == "unshelve" and alarm.service_state is ServiceState.SHELVED:
            return replace(alarm, service_state=ServiceState.IN_SERVICE, shelved_until=None)
        raise IllegalCommand(f"{command.rule} is {alarm.state}: there is nothing to {command.name}")

    def health(self) -> Mapping[str, Any]:
        self._answer()
        return {
            "status": "degraded" if self.problems else "ok",
            "problems": list(self.problems),
            "broker": {
                "kind": "own mosquitto",
                "address": "127.0.0.1:1883",
                "limits": "Keeps every message while the service is away",
                "connected": True,
            },
            "ingest": {"messages": 4711, "readings": 37688, "quarantined": 2},
        }

    def explain(self, rule: str) -> Mapping[str, Any]:
        """As the engine says it of a rule whose condition is present and whose delay runs."""
        self._answer()
        known = {r.id: r for r in RULES}
        if rule not in known:
            raise UnknownRule(rule)
        alarm, now = self.alarms.get(rule, Alarm(rule)), self.now()
        channel = known[rule].channel
        return {
            "id": rule, "title": known[rule].title, "kind": known[rule].kind, "channel": channel,
            "at": to_rfc3339(now), "state": alarm.state.value,
            "service_state": alarm.service_state.value, "present": True, "message": "",
            "limit_text": "≤ 1500 L/h", "deadband": 500.0, "unit": "L/h", "measurement": None,
            "while": [{"term": f"{LEVEL} above 292 mm", "holds": False}],
            "delay": {"kind": "on-delay", "since": to_rfc3339(now - MINUTE),
                      "ends": to_rfc3339(now + MINUTE), "left_s": 60.0},
            "suppression": {"never": False, "hold_off_left_s": None, "causes": [
                {"rule": "mains-lost", "title": "Mains power lost", "stands": True,
                 "raised_at": to_rfc3339(now - MINUTE)}]},
            "service": {"state": alarm.service_state.value},
            "why": ["The alarm stands, and nobody has acknowledged it."],
        }  # fmt: skip

    def work(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        self._answer()
        answer = self._works.ask(request)
        if request["name"] != "list":
            self.works.append(request)
        return answer

    def _decided(self, alarms: Iterable[Alarm], events: Iterable[Event]) -> None:
        """Planned work has moved alarms and put events on record."""
        moved = {alarm.rule: alarm for alarm in alarms}
        self.alarms.update(moved)
        numbered = [(next(self._seq), event) for event in events]
        self._commit(Group(events=numbered, alarms=moved))
        for seq, event in numbered:
            self._tell({"event": {"seq": seq, "kind": event.kind, "rule": event.rule}})

    @contextmanager
    def listen(self) -> Iterator[Iterator[Mapping[str, Any]]]:
        self._answer()
        mine: queue.Queue[Mapping[str, Any]] = queue.Queue()
        self._listeners.append(mine)
        try:
            yield self._messages(mine)
        finally:
            self._listeners.remove(mine)

    def _messages(self, mine: queue.Queue[Mapping[str, Any]]) -> Iterator[Mapping[str, Any]]:
        while not self._let_go.is_set() and self.answers:
            try:
                yield mine.get(timeout=0.2)
            except queue.Empty:
                continue

    @property
    def heard_by(self) -> int:
        """How many listen."""
        return len(self._listeners)

    def _tell(self, message: Mapping[str, Any]) -> None:
        if self.answers:
            for listener in list(self._listeners):
                listener.put(message)

    def _answer(self) -> None:
        while self.answers is None and not self._let_go.wait(0.05):
            pass
        if not self.answers:
            raise TransientError("the service does not run: nobody answers")


def trouble(world: World) -> None:
    """One critical alarm, an acknowledged one, a latched one, a shelved one; a payload refused."""
    world.raise_alarm("return-flow-lost", 0.0, "0 L/h, expected at least 4000 L/h within 20 s",
                      ago=31 * MINUTE)  # fmt: skip
    world.command(Command("acknowledge", "return-flow-lost", "Kari", "pump is humming, coming",
                          check_in_minutes=20))  # fmt: skip
    world.raise_alarm("floor-leak", 0.0, "Floor is wet", ago=3 * MINUTE)
    world.raise_alarm("room-too-hot", 28.4, "28.4 °C, at or above 28 °C", ago=300 * MINUTE)
    world.command(Command("shelve", "room-too-hot", "Kari", "heat wave", minutes=240))
    latched = Alarm("reactor-flow-lost", AlarmState.LATCHED_UNACKNOWLEDGED,
                    raised_at=world.now() - 100 * MINUTE, returned_at=world.now(), value=58.0,
                    message="21.5 L/h, at or below 30 L/h")  # fmt: skip
    world.set_alarm(latched, "returned")
    world.commands.clear()
    now = world.now()
    world.add(
        Group(
            quarantined=[
                Quarantined(now - MINUTE, "weirwatch/harbour-hall/hall-node/readings", "not-senml",
                            "The payload is not SenML JSON: it ends in the middle", b"[{"),
            ],
            nodes={
                node: NodeState(node, True, now, power)
                for node, power in (
                    ("harbour-hall/sump-node", "mains"),
                    ("harbour-hall/power-node", "battery"),
                )
            },
            notices=[
                Notice("9-file", 3, "file", now, "CRITICAL: Water on the floor", {}, "pending", 3,
                       now, None, "disk full"),
            ],
        )
    )  # fmt: skip


class Server:
    """A web server with the page, on a thread; `url` once it is up."""

    def __init__(self, world: World, port: int = 0, access: Access | None = None) -> None:
        parts = (world.settings, world.archive, world, load_catalogue(), world.clock)
        app = create_app(*parts, access=access, log_keeper=world.keeper)
        mount(app, *parts, access, log_keeper=world.keeper)
        self._socket = socket.create_server(("127.0.0.1", port))
        self.url = f"http://127.0.0.1:{self._socket.getsockname()[1]}/"
        self._server = uvicorn.Server(
            uvicorn.Config(app, log_config=None, lifespan="on", timeout_graceful_shutdown=2)
        )
        self._thread = threading.Thread(target=self._server.run, args=([self._socket],))

    def start(self) -> None:
        self._thread.start()
        deadline = time.monotonic() + 60
        while not self._server.started:
            assert self._thread.is_alive()
            assert time.monotonic() < deadline
            time.sleep(0.05)

    def close(self) -> None:
        self._server.should_exit = True
        self._thread.join(timeout=60)
        self._socket.close()


def main() -> None:
    folder, scene, port = [*sys.argv[1:], "normal", "0"][:3] if len(sys.argv) < 4 else sys.argv[1:4]
    world = World(Path(folder))
    world.history(30)
    changes: dict[str, float] = {}
    if scene == "alarm":
        trouble(world)
        changes = {RETURN: 0, "harbour-hall/power-node/floor-dry": 0, ROOM: 28.4, LEVEL: 331}
    server = Server(world, int(port))
    server.start()
    print(server.url, flush=True)  # noqa: T201
    try:
        while True:
            world.read(changes)
            time.sleep(5)
    finally:
        server.close()
        world.close()


if __name__ == "__main__":
    main()
