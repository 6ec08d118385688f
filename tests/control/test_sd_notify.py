"""What the service manager hears, on a real datagram socket."""

import os
import socket
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from weirwatch.control.sd_notify import ServiceManager
from weirwatch.domain.instant import SECOND

Heard = Callable[[], list[str]]


@pytest.fixture
def heard(tmp_path: Path) -> Iterator[Heard]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(str(tmp_path / "notify"))
        ear.setblocking(False)

        def all_heard() -> list[str]:
            found = []
            try:
                while True:
                    found.append(ear.recv(4096).decode())
            except BlockingIOError:
                return found

        yield all_heard


def manager(tmp_path: Path, **more: str) -> ServiceManager:
    return ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "notify"), **more})


def test_ready_and_stopping(tmp_path: Path, heard: Heard) -> None:
    told = manager(tmp_path)
    told.ready()
    told.beat(SECOND, alive=True)  # nobody asked for it
    told.stopping()
    assert heard() == ["READY=1", "STOPPING=1"]


def test_it_beats_twice_as_often_as_asked_and_only_while_alive(
    tmp_path: Path, heard: Heard
) -> None:
    told = manager(tmp_path, WATCHDOG_USEC="20000000", WATCHDOG_PID=str(os.getpid()))
    beats = []
    for second in range(60):
        told.beat(second * SECOND, alive=second < 35)
        if heard():
            beats.append(second)
    assert beats == [0, 10, 20, 30]


def test_a_watchdog_meant_for_another(tmp_path: Path, heard: Heard) -> None:
    manager(tmp_path, WATCHDOG_USEC="20000000", WATCHDOG_PID="1").beat(0, alive=True)
    manager(tmp_path, WATCHDOG_USEC="soon").beat(0, alive=True)
    assert heard() == []


def test_an_abstract_address() -> None:
    name = f"weirwatch-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(f"\0{name}")
        ServiceManager({"NOTIFY_SOCKET": f"@{name}"}).ready()
        assert ear.recv(100) == b"READY=1"


def test_nobody_to_tell(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    ServiceManager({}).ready()
    assert not caplog.records
    manager(tmp_path / "gone").ready()
    assert "service_manager.not_told message=READY=1" in caplog.text
