"""What the service manager hears: life while the loop turns, and none of a hung or stopped one."""

import gc
import os
import signal
import socket
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
from support.receivers import http_receiver
from support.service import Service, wait_for

from weirwatch.app import build_core
from weirwatch.cli.running import run_until_stopped
from weirwatch.clock import SystemClock
from weirwatch.config import load
from weirwatch.pipeline.health import HUNG_AFTER
from weirwatch.pipeline.inbox import Question

UNIT = Path(__file__).parents[2] / "deploy" / "weirwatch.service"
CONFIG = """
[broker]
listen = "127.0.0.1:0"
[[system]]
id = "hall"
[[channel]]
id = "hall/node/level"
quantity = "level"
unit = "mm"
"""


class Manager:
    """A stand-in for systemd: a datagram socket, and when each word arrived."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.heard: list[tuple[float, str]] = []
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        self._socket.settimeout(0.1)
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._listen)
        self._thread.start()

    def _listen(self) -> None:
        while not self._ending.is_set():
            try:
                word = self._socket.recv(4096).decode()
            except TimeoutError:
                continue
            self.heard.append((time.monotonic(), word))

    def beats(self, since: float) -> int:
        return sum(word == "WATCHDOG=1" for at, word in list(self.heard) if at > since)

    def words(self) -> set[str]:
        return {word for _, word in list(self.heard)}

    def catch_up(self) -> None:
        """Wait until all that was said by now has been heard: words arrive in order."""
        mark = f"mark {time.monotonic()}"
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as mine:
            mine.sendto(mark.encode(), str(self.path))
        wait_for(lambda: mark in self.words())

    def close(self) -> None:
        self._ending.set()
        self._thread.join()
        self._socket.close()


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    made = Manager(tmp_path / "n")
    yield made
    made.close()


def test_the_units_time_and_ours_make_thirty_seconds_at_most() -> None:
    (line,) = [t for t in UNIT.read_text().splitlines() if t.startswith("WatchdogSec=")]
    assert int(line.partition("=")[2]) + HUNG_AFTER / 1e6 <= 30


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_a_stopped_process_is_silent_and_alive_again_when_it_goes_on(
    tmp_path: Path, manager: Manager
) -> None:
    env = {"NOTIFY_SOCKET": str(manager.path), "WATCHDOG_USEC": "2000000"}
    service = Service(tmp_path / "service", CONFIG, env=env)
    try:
        service.start()
        wait_for(lambda: {"READY=1", "WATCHDOG=1"} <= manager.words(), 60)
        assert service.process is not None
        service.process.send_signal(signal.SIGSTOP)
        wait_for(lambda: psutil.Process(service.process.pid).status() == psutil.STATUS_STOPPED)
        manager.catch_up()
        stopped = time.monotonic()
        time.sleep(4)
        assert manager.beats(stopped) == 0
        service.process.send_signal(signal.SIGCONT)
        wait_for(lambda: manager.beats(stopped) > 1)
        assert service.stop() == 0
        manager.catch_up()
        assert "STOPPING=1" in manager.words()
    finally:
        if service.process is not None:
            service.process.send_signal(signal.SIGCONT)
        service.end()


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_a_hung_loop_gives_no_sign_of_life_though_all_else_runs(
    tmp_path: Path, manager: Manager, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", str(manager.path))
    monkeypatch.setenv("WATCHDOG_USEC", "1000000")
    monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()))
    with http_receiver() as receiver:
        config = tmp_path / "weirwatch.toml"
        config.write_text(f'{CONFIG}[heartbeat]\nurl = "{receiver.url}"\nevery_s = 5\n')
        core = build_core(load(config), SystemClock())
        let_go, over = threading.Event(), threading.Event()
        found: dict[str, float] = {}

        hung: list[float] = []

        def hang(*_: object) -> dict[str, object]:
            hung.append(time.monotonic())
            let_go.wait(300)
            return {}

        def story() -> None:
            try:
                wait_for(lambda: manager.beats(0.0) > 2 and receiver.posted)
                core.inbox.ask(Question(hang))
                wait_for(lambda: hung)
                time.sleep(HUNG_AFTER / 1e6 + 2)
                wait_for(lambda: core.heartbeat and core.heartbeat.withheld > 0)
                manager.catch_up()
                silent = time.monotonic()
                posted = len(receiver.posted)
                found["beats"] = manager.beats(hung[0])
                time.sleep(4)
                found["beats after"] = manager.beats(silent)
                found["posted after"] = len(receiver.posted) - posted
                let_go.set()
                wait_for(lambda: manager.beats(silent) > 0)
                found["again"] = 1
            finally:
                let_go.set()
                over.set()

        thread = threading.Thread(target=story)
        interval = sys.getswitchinterval()
        before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
        try:
            core.start()
            thread.start()
            assert run_until_stopped(core, over.is_set) == 0
            assert gc.get_freeze_count() > 10_000  # no walk over all of it stalls the loop
        finally:
            gc.unfreeze()
            core.stop()
            thread.join(300)
            sys.setswitchinterval(interval)
            for number, handler in before.items():
                signal.signal(number, handler)
    # One each half second while the loop counts as turning, and a little more.
    assert found.pop("beats") <= 2 * HUNG_AFTER / 1e6 + 2
    assert found == {"beats after": 0, "posted after": 0, "again": 1}
    manager.catch_up()
    assert {"READY=1", "STOPPING=1"} <= manager.words()
