"""A command line to call, a configuration, and a service that runs for a whole module."""

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from support.cli_types import Call, Place, Run
from support.control_client import until
from typer.testing import CliRunner, Result

from weirwatch.app import Core, build_core
from weirwatch.cli.main import build_app
from weirwatch.clock import SystemClock
from weirwatch.config import Overrides, load
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.ports import Group
from weirwatch.store.sqlite_journal import open_journal

CONFIG = """\
[service]
time_zone = "Europe/Oslo"
[broker]
listen = "127.0.0.1:0"
[[recipient]]
id = "log"
kind = "file"
path = "notices.jsonl"
[[system]]
id = "harbour-hall"
[[channel]]
id = "harbour-hall/sump-node/level"
title = "Sump level"
quantity = "level"
unit = "mm"
vessel = "sump"
expected_every_s = 5
[[channel]]
id = "harbour-hall/power-node/mains"
quantity = "switch"
states = ["gone", "there"]
[[channel]]
id = "harbour-hall/sump-node/unheard"
quantity = "temperature"
unit = "Cel"
[[rule]]
id = "sump-high"
title = "Sump above its drain-back"
kind = "absolute"
channel = "harbour-hall/sump-node/level"
high = 345
deadband = 8
failure = "sump-high"
response = "Look for a siphon."
[[rule]]
id = "floor-leak"
kind = "absolute"
channel = "harbour-hall/power-node/mains"
is = false
failure = "floor-leak"
response = "Look from the door."
"""
T0: Micros = 1_777_636_800 * SECOND  # 2026-05-01T12:00:00Z


def make_place(folder: Path) -> Place:
    place = Place(folder)
    place.config.write_text(CONFIG)
    return place


@pytest.fixture
def place() -> Iterator[Place]:
    with TemporaryDirectory(prefix="ww-") as folder:  # pytest's own paths may be too long
        yield make_place(Path(folder))


def record(place: Place) -> None:
    """Put a day's worth of a few readings into the file, as an earlier run would have."""
    settings = load(place.config)
    place.data.mkdir()
    journal, _ = open_journal(place.data, "20260501T120000Z")
    try:
        numbers = journal.adopt(settings.channels, settings.rules)
        level = numbers["harbour-hall/sump-node/level"]
        mains = numbers["harbour-hall/power-node/mains"]
        rows = [(T0 + n * 60 * SECOND, level, 300.0 + n, 0, "") for n in range(60)]
        rows.append((T0 + 61 * 60 * SECOND, level, 999.0, 2, "outside valid range"))
        rows.append((T0, mains, 1.0, 0, ""))
        journal.commit(Group(readings=rows, committed_at=T0 + 3600 * SECOND))
    finally:
        journal.close()


@pytest.fixture
def recorded(place: Place) -> Place:
    record(place)
    return place


@pytest.fixture(scope="module")
def running() -> Iterator[tuple[Place, Core]]:
    """A real core with its own broker, on a file with readings."""
    with TemporaryDirectory(prefix="ww-") as folder:
        place = make_place(Path(folder))
        record(place)
        core = build_core(load(place.config, Overrides(data_dir=place.data)), SystemClock())
        try:
            core.start()
            until(lambda: core.health.as_json()["committed_at"])  # its start is on record
            yield place, core
        finally:
            core.stop()


@pytest.fixture
def call(monkeypatch: pytest.MonkeyPatch) -> Call:
    """Call the application in this process; 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.delenv("WEIRWATCH_CONFIG", raising=False)

    def invoke(*words: str | Path, env: dict[str, str] | None = None) -> Result:
        return CliRunner().invoke(build_app(), [str(word) for word in words], env=env)

    return invoke


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """Run the real command in a process of its own."""
    command = Path(sys.executable).with_name("weirwatch")

    def go(*words: str | Path, cwd: Path | None = None, **env: str) -> Any:
        environment = {key: v for key, v in os.environ.items() if key != "WEIRWATCH_CONFIG"} | env
        return subprocess.run(
            [str(command), *map(str, words)],
            cwd=cwd or tmp_path,
            env={**environment, "COLUMNS": "80"},
            capture_output=True,
            text=True,
            timeout=180,
        )

    return go


@pytest.fixture
def parsed() -> Callable[[Result], Any]:
    """Parse standard output as one JSON document."""

    def parse(result: Result) -> Any:
        document = None
        with suppress(json.JSONDecodeError):
            document = json.loads(result.stdout)
        assert document is not None, result.output
        return document

    return parse
