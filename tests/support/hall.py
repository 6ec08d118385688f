"""A folder with a configuration, in which one core runs after the other, turned by hand."""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from support.loop_world import SUMP_NODE
from support.still_clock import HandClock

from weirwatch.app import Core, build_core
from weirwatch.config import load
from weirwatch.domain.operator import Command
from weirwatch.pipeline.inbox import CommandRequest
from weirwatch.ports import Clock, StoredEvent, WireMessage
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive

CONFIG = """
[broker]
url = "mqtt://127.0.0.1:1"
[[system]]
id = "harbour-hall"
[[channel]]
id = "harbour-hall/sump-node/level"
quantity = "level"
unit = "mm"
[[rule]]
id = "sump-high"
title = "Sump high"
kind = "absolute"
channel = "harbour-hall/sump-node/level"
high = 310
deadband = 10
failure = "sump-high"
response = "Look for a siphon."
[[recipient]]
id = "file"
kind = "file"
path = "notices.jsonl"
"""
LOW = """
[[rule]]
id = "sump-low"
title = "Sump low"
kind = "absolute"
channel = "harbour-hall/sump-node/level"
low = 100
on_delay_s = 30
failure = "sump-low"
response = "Look for a leak."
"""


class Hall:
    """A folder with a configuration, in which one core runs after the other."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.config = folder / "weirwatch.toml"
        self.data = folder / "data"
        self.clock = HandClock()
        self.write(CONFIG)
        self._mid = 0

    def write(self, text: str) -> None:
        self.config.write_text(text)

    @contextmanager
    def core(self, *, ends: str = "in order", clock: Clock | None = None) -> Iterator[Core]:
        """A core that is turned by hand; it ends in order, or is lost."""
        core = build_core(load(self.config), clock or self.clock)
        try:
            core.loop.turn_once()
            yield core
            if ends == "in order":
                core.loop.stop()
                core.loop.run()
        finally:
            core.stop()

    def level(self, core: Core, value: float, ahead: float = 0.0) -> None:
        self._mid += 1
        time = self.clock.utc / 1e6 + ahead
        payload = f'[{{"n":"level","t":{time},"v":{value}}}]'.encode()
        topic = f"{SUMP_NODE}/readings"
        core.inbox.put(WireMessage(1, self._mid, 1, topic, payload, self.clock.utc, False))
        core.loop.turn_once()

    def command(self, core: Core, name: str, rule: str, **more: Any) -> None:
        request = CommandRequest(Command(name=name, rule=rule, who="keeper", **more))
        core.inbox.put(request)
        core.loop.turn_once()
        request.answer.result(0)

    def events(self) -> list[StoredEvent]:
        with closing(SqliteArchive(self.data / FILE_NAME)) as archive:
            return list(archive.events(None, None, 0, 1000))

    def kinds(self, rule: str) -> list[str]:
        return [s.event.kind for s in self.events() if s.event.rule == rule]

    def state(self, rule: str) -> str:
        with closing(SqliteArchive(self.data / FILE_NAME)) as archive:
            return str(archive.alarms()[rule].state)
