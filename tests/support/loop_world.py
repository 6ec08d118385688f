"""The loop on a real file with the real codec: what is told, acknowledged and kept, in order."""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from functools import lru_cache
from pathlib import Path
from typing import Any

from support.still_clock import HandClock

from weirwatch.config import load
from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.book import make_ready
from weirwatch.domain.engine import start
from weirwatch.domain.errors import TransientError
from weirwatch.domain.instant import Micros
from weirwatch.domain.operator import Command
from weirwatch.domain.reading import Channel, Reading
from weirwatch.domain.rule import Rule, RuleBook
from weirwatch.ingest.codec import Codec
from weirwatch.pipeline.counters import Counters
from weirwatch.pipeline.derive import Deriver
from weirwatch.pipeline.group import GroupBuilder
from weirwatch.pipeline.inbox import CommandRequest, Inbox
from weirwatch.pipeline.loop import Loop, LoopParts
from weirwatch.pipeline.notices import NoticeWriter
from weirwatch.pipeline.timekeeper import Timekeeper
from weirwatch.pipeline.work_desk import WorkDesk
from weirwatch.ports import Group, Journal, Restored, StoredEvent, WireMessage
from weirwatch.settings import Settings
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

CONFIG = """
[service]
commit_every_s = 5
[[system]]
id = "harbour-hall"
title = "Harbour Hall"
[[channel]]
id = "harbour-hall/sump-node/level"
quantity = "level"
unit = "mm"
valid = [0, 450]
[[channel]]
id = "harbour-hall/sump-node/ph"
quantity = "ph"
unit = "pH"
warm_up_s = 60
[[channel]]
id = "harbour-hall/hall-node/leak"
quantity = "switch"
[[rule]]
id = "sump-high"
title = "Sump high"
kind = "absolute"
channel = "harbour-hall/sump-node/level"
high = 310
deadband = 10
priority = "high"
failure = "sump-high"
response = "Look for a siphon."
[[rule]]
id = "sump-low"
title = "Sump low"
kind = "absolute"
channel = "harbour-hall/sump-node/level"
low = 100
on_delay_s = 30
failure = "sump-low"
response = "Look for a leak."
[[rule]]
id = "floor-leak"
title = "Water on the floor"
kind = "absolute"
channel = "harbour-hall/hall-node/leak"
is = true
failure = "floor-leak"
response = "Look from the door."
[[rule]]
id = "node-offline/sump-node"
kind = "system"
on_delay_s = 0
[[rule]]
id = "broker-lost"
kind = "system"
on_delay_s = 0
[[recipient]]
id = "keeper"
kind = "console"
"""
LEVEL = "harbour-hall/sump-node/level"
SUMP_NODE = "weirwatch/harbour-hall/sump-node"
HALL_NODE = "weirwatch/harbour-hall/hall-node"


@lru_cache
def settings_of(text: str = CONFIG) -> Settings:
    """The settings in a configuration text."""
    from tempfile import TemporaryDirectory

    with TemporaryDirectory(prefix="ww-") as folder:
        path = Path(folder) / "weirwatch.toml"
        path.write_text(text)
        return load(path)


class TroubledJournal:
    """`ports.Journal` on another one; the next `failures` commits are refused."""

    def __init__(self, journal: Journal, story: list[Any]) -> None:
        self.failures = 0
        self.commits: list[Group] = []
        self._journal = journal
        self._story = story

    def commit(self, group: Group) -> int:
        if self.failures:
            self.failures -= 1
            self._story.append("refused")
            raise TransientError("the disk is full: free some space")
        duplicates = self._journal.commit(group)
        self._story.append("commit")
        self.commits.append(group)
        return duplicates

    def restore(self) -> Restored:
        return self._journal.restore()

    def adopt(self, channels: Sequence[Channel], rules: Sequence[Rule]) -> Mapping[str, int]:
        return self._journal.adopt(channels, rules)

    def take_in(self, readings: Sequence[Reading], now: Micros) -> int:
        return self._journal.take_in(readings, now)

    def maintain(self, now: Micros, budget_s: float) -> bool:
        del now, budget_s
        return False

    def counters(self) -> Mapping[str, int]:
        return self._journal.counters()

    def mark_alive(self, time: Micros) -> None:
        self._journal.mark_alive(time)

    def mark_stopped(self, time: Micros) -> None:
        if self.failures:
            self.failures -= 1
            raise TransientError("the disk is full: free some space")
        self._journal.mark_stopped(time)

    def close(self) -> None:
        self._journal.close()


class RecordingTransport:
    """`ports.Transport` that writes down what it is asked for, and what was durable by then."""

    def __init__(self, story: list[Any], stored: Callable[[], int] = lambda: 0) -> None:
        self.acked: list[WireMessage] = []
        self.sent: list[tuple[str, bytes, bool]] = []
        self.stored_at_ack: list[int] = []
        self._story = story
        self._stored = stored

    def start(self) -> None:
        """Nothing to connect to."""

    def ack(self, messages: Sequence[WireMessage]) -> None:
        self.acked += messages
        self._story.append(("ack", [message.mid for message in messages]))
        self.stored_at_ack.append(self._stored())

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        self.sent.append((topic, payload, retain))

    def state(self) -> str:
        return "127.0.0.1:1883: connected"

    def close(self) -> None:
        """Nothing to close."""

    def counters(self) -> Mapping[str, int]:
        return {"acked": len(self.acked)}


class World:
    """A loop, driven turn by turn.

    Attributes:
        story: commits, acks and what was told, as they happened.
        disk: what there is to say of the disk; `disk_looks`: how often that was asked.
    """

    def __init__(
        self,
        folder: Path,
        *,
        clock: HandClock | None = None,
        text: str = CONFIG,
        commit_unacked: int = 10,
        offline_rules: Mapping[str, str] | None = None,
    ) -> None:
        self.settings = settings_of(text)
        self.clock = clock or HandClock()
        self.path = folder / FILE_NAME
        self.story: list[Any] = []
        self.sqlite = SqliteJournal(self.path)
        self.journal = TroubledJournal(self.sqlite, self.story)
        restored = self.journal.restore()
        numbers = self.journal.adopt(self.settings.channels, self.settings.rules)
        rules = {rule.id: rule for rule in self.settings.rules}
        channels = {channel.id: channel for channel in self.settings.channels}
        self.book = make_ready(RuleBook(rules, channels, self.settings.service.time_zone))
        self.time = Timekeeper(self.clock, restored.alive_at)
        self.state = start(dict(restored.alarms), {}, self.book, self.time.now(), link_up=False)
        self.transport = RecordingTransport(self.story, lambda: len(self.levels()))
        self.decoder = Codec(self.settings.channels, (), "weirwatch", 60_000_000)
        self.inbox = Inbox()
        self.counters = Counters()
        self.told: list[Group] = []
        self.disk: str | None = None
        self.disk_looks = 0
        writer = NoticeWriter(self.settings, load_catalogue())
        nodes = {"harbour-hall/sump-node": "node-offline/sump-node"}
        builder = GroupBuilder(rules, numbers, self.state.alarms, writer, restored.next_seq)
        works = {work.id: work for work in self.settings.planned_works}
        self.loop = Loop(
            LoopParts(
                book=self.book,
                state=self.state,
                journal=self.journal,
                decoder=self.decoder,
                transport=self.transport,
                clock=self.clock,
                timekeeper=self.time,
                builder=builder,
                inbox=self.inbox,
                counters=self.counters,
                offline_rules=nodes if offline_rules is None else offline_rules,
                nodes=restored.nodes,
                commit_every=self.settings.service.commit_every,
                commit_unacked=commit_unacked,
                told=self._tell,
                disk_trouble=self._look_at_disk,
                deriver=Deriver(self.settings.derived, self.settings.channels),
                works=WorkDesk(works, self.book, self.state, builder, {}) if works else None,
            )
        )
        self.archive = SqliteArchive(self.path)
        self._mid = 0

    def _tell(self, group: Group) -> None:
        self.told.append(group)
        self.story.append("told")

    def _look_at_disk(self) -> str | None:
        self.disk_looks += 1
        return self.disk

    def close(self) -> None:
        self.archive.close()
        self.journal.close()

    def put(
        self,
        payload: str,
        topic: str = f"{SUMP_NODE}/readings",
        qos: int = 1,
        *,
        retained: bool = False,
    ) -> int:
        """A message arrives; returns its mid."""
        self._mid += 1
        self.inbox.put(
            WireMessage(1, self._mid, qos, topic, payload.encode(), self.clock.utc, retained)
        )
        return self._mid

    def level(self, value: float, age: float = 0.0) -> int:
        """A level arrives, `age` seconds after its own time."""
        return self.put(f'[{{"n":"level","t":{self.clock.utc / 1e6 - age:.6f},"v":{value}}}]')

    def turn(self, seconds: float = 0.0) -> None:
        """Let time pass, then let the loop turn once."""
        self.clock.go(seconds)
        self.loop.turn_once()

    def command(self, name: str, rule: str = "sump-high") -> "Future[dict[str, Any]]":
        """A command arrives."""
        request = CommandRequest(Command(name=name, rule=rule, who="keeper", comment="seen"))
        self.inbox.put(request)
        return request.answer

    def levels(self) -> list[Reading]:
        """All levels in the file, as another connection sees them."""
        return list(self.archive.readings(LEVEL, 0, 2**62, None, 100_000))

    def events(self) -> list[StoredEvent]:
        """All that is on record."""
        return list(self.archive.events(None, None, 0, 10_000))

    def kinds(self, rule: str) -> list[tuple[str, bool]]:
        """(kind, annunciated) of a rule's events."""
        return [
            (stored.event.kind, stored.event.annunciated)
            for stored in self.events()
            if stored.event.rule == rule
        ]
