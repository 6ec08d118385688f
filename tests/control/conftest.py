"""A control server on a short path, with a core that can be told what to do."""

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from weirwatch.clock import SystemClock
from weirwatch.control.server import ControlServer
from weirwatch.ports import Command

Handle = Callable[[Command], Mapping[str, Any]]
Start = Callable[..., ControlServer]


@pytest.fixture
def path() -> Iterator[Path]:
    with TemporaryDirectory(prefix="ww-") as folder:  # pytest's own paths may be too long
        yield Path(folder) / "control.sock"


@pytest.fixture
def start(path: Path) -> Iterator[Start]:
    started: list[ControlServer] = []

    def go(
        handle: Handle = lambda command: {"id": command.rule, "who": command.who},
        health: Callable[[], Mapping[str, Any]] = lambda: {"status": "good"},
    ) -> ControlServer:
        server = ControlServer(path, handle, health, SystemClock())
        started.append(server)
        server.start()
        return server

    yield go
    for server in started:
        server.close()
