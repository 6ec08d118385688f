"""The web as its own process: it serves, it obeys signals, and it never outlives its core."""

import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Protocol

import httpx
import pytest
from support.control_client import until
from support.ports import free_port
from support.web_harbour import HIGH, Harbour

from weirwatch.clock import SystemClock, scaled_clock
from weirwatch.control.server import ControlServer
from weirwatch.domain.instant import from_rfc3339
from weirwatch.pipeline.queries import alarm_of, live_event
from weirwatch.ports import Command

CONFIG = """
[[system]]
id = "harbour-hall"
title = "Harbour Hall"

[[channel]]
id = "harbour-hall/sump-node/level"
quantity = "level"
unit = "mm"

[[rule]]
id = "sump-level-high"
title = "Sump level high"
kind = "absolute"
channel = "harbour-hall/sump-node/level"
high = 310
failure = "sump-high"
"""


class Web:
    def __init__(self, process: subprocess.Popen[str], port: int) -> None:
        self.process = process
        self.url = f"http://127.0.0.1:{port}"

    def answers(self) -> bool:
        assert self.process.poll() is None, "it has ended"
        with contextlib.suppress(httpx.TransportError):
            return httpx.get(f"{self.url}/api/v1/alive", timeout=30).is_success
        return False

    def end(self, timeout_s: float = 60) -> tuple[int, str]:
        _, errors = self.process.communicate(timeout=timeout_s)
        return self.process.returncode, errors


class Start(Protocol):
    def __call__(self, *more: str, port: int = ..., wait: bool = ...) -> Web: ...


@pytest.fixture
def folder() -> Iterator[Path]:
    with TemporaryDirectory(prefix="ww-") as name:  # a socket's path must be short
        (Path(name) / "weirwatch.toml").write_text(CONFIG)
        yield Path(name)


@pytest.fixture
def harbour(folder: Path) -> Iterator[Harbour]:
    made = Harbour(folder)
    made.furnish()
    yield made
    made.close()


@pytest.fixture
def server(folder: Path, harbour: Harbour) -> Iterator[ControlServer]:
    def handle(command: Command) -> dict[str, Any]:
        found = alarm_of(harbour.archive, harbour.settings, harbour.catalogue, command.rule)
        return found | {"acknowledged_by": command.who}

    made = ControlServer(folder / "control.sock", handle, lambda: {"status": "ok"}, SystemClock())
    made.start()
    yield made
    made.close()


@pytest.fixture
def start(folder: Path) -> Iterator[Start]:
    started: list[subprocess.Popen[str]] = []

    def go(*more: str, port: int = 0, wait: bool = True) -> Web:
        port = port or free_port()
        command = [
            sys.executable,
            "-m",
            "weirwatch.web",
            "--config",
            str(folder / "weirwatch.toml"),
        ]
        command += ["--data-dir", str(folder), "--listen", f"127.0.0.1:{port}", *more]
        process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
        started.append(process)
        web = Web(process, port)
        if wait:
            until(web.answers, timeout_s=120)
        return web

    yield go
    for process in started:
        if process.poll() is None:
            process.kill()
            process.communicate()


def test_it_serves_what_the_core_and_the_file_know(
    start: Start, server: ControlServer, harbour: Harbour
) -> None:
    web = start()
    api = httpx.Client(base_url=f"{web.url}/api/v1", timeout=60)
    with api:
        until(lambda: api.get("alive").json()["core"])
        assert api.get("health").json() == {"status": "ok"}
        assert api.get("alarms").json()["items"][0]["id"] == HIGH.id
        answer = api.post(f"alarms/{HIGH.id}/acknowledge", headers={"operator": "keeper"})
        assert answer.json()["acknowledged_by"] == "keeper"
        with api.stream("GET", "events/stream", headers={"Last-Event-ID": "30"}) as stream:
            lines = stream.iter_lines()
            assert next(lines) == "retry: 2000"
            (stored,) = harbour.add_events(harbour.archive.events(None, None, 29, 1)[0].event)
            server.publish(live_event(stored))
            assert next(line for line in lines if line.startswith("id: ")) == "id: 31"
            web.process.send_signal(signal.SIGTERM)
            code, errors = web.end()
    assert code == 0, "an orderly end"
    assert "Traceback" not in errors


def test_it_ends_when_the_core_has_ended(start: Start, server: ControlServer) -> None:
    web = start()
    until(lambda: httpx.get(f"{web.url}/api/v1/alive").json()["core"] is True)
    before = time.monotonic()
    server.close()
    code, errors = web.end()
    assert code == 1
    assert time.monotonic() - before < 30
    assert "web.core_lost connected_before=True" in errors


def test_it_ends_when_no_core_comes(start: Start, harbour: Harbour) -> None:
    code, errors = start(wait=False).end(120)
    assert code == 1
    assert "web.core_lost connected_before=False" in errors


def test_it_ends_even_when_its_own_loop_is_stopped_with_the_core_gone(
    start: Start, server: ControlServer
) -> None:
    web = start()
    os.kill(web.process.pid, signal.SIGSTOP)
    server.close()
    os.kill(web.process.pid, signal.SIGCONT)
    assert web.end()[0] == 1


def test_it_shows_the_time_of_the_cores_scaled_clock(start: Start, server: ControlServer) -> None:
    clock = scaled_clock(60.0, from_rfc3339("2031-01-01T00:00:00Z"))
    web = start("--clock", clock.as_json())
    path = "channels/harbour-hall/sump-node/level/series"
    assert httpx.get(f"{web.url}/api/v1/{path}").json()["to"].startswith("2031-01-01T")


def test_a_port_that_is_taken_is_one_sentence(start: Start, server: ControlServer) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        code, errors = start(port=port, wait=False).end(120)
    assert code == 2
    assert len(errors.splitlines()) == 1
    assert f"127.0.0.1:{port} cannot be used" in errors
    assert "another port" in errors
