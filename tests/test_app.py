"""The core put together: what it leaves behind when it cannot be made, and how it runs."""

import socket
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from support.hall import CONFIG, Hall
from support.loop_world import SUMP_NODE
from support.service import Mosquitto, wait_for

from weirwatch.app import build_core
from weirwatch.clock import SystemClock
from weirwatch.config import load
from weirwatch.control.client import ControlClient
from weirwatch.domain.errors import ConfigError, IllegalCommand
from weirwatch.domain.operator import Command
from weirwatch.pipeline.inbox import LinkRequest, Question
from weirwatch.store.lock import WriterLock
from weirwatch.store.schema import FILE_NAME


@pytest.fixture
def hall() -> Iterator[Hall]:
    with TemporaryDirectory(prefix="ww-") as folder:  # pytest's own paths may be too long
        yield Hall(Path(folder))


# --- a core that cannot be made leaves nothing behind ----------------------------------------


def free(hall: Hall) -> bool:
    """Whether the data folder can be taken, and the file in it too."""
    with WriterLock(hall.data):
        if (hall.data / FILE_NAME).exists():
            with closing(sqlite3.connect(hall.data / FILE_NAME, timeout=0)) as connection:
                connection.execute("BEGIN EXCLUSIVE")
    return True


def test_a_second_core_on_the_same_folder_is_refused_and_the_first_goes_on(hall: Hall) -> None:
    with hall.core() as core:
        with pytest.raises(ConfigError, match="in use by another Weirwatch"):
            build_core(load(hall.config), hall.clock)
        hall.level(core, 320)
    assert hall.kinds("sump-high") == ["raised"]
    assert free(hall)


def test_a_broker_port_that_is_taken(hall: Hall, tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path / "broker")
    try:
        own = f'[broker]\nlisten = "127.0.0.1:{broker.port}"\n'
        hall.write(CONFIG.replace('[broker]\nurl = "mqtt://127.0.0.1:1"\n', own))
        with pytest.raises(ConfigError, match="the port is taken"):
            build_core(load(hall.config), hall.clock)
    finally:
        broker.stop()
    assert free(hall)


def test_a_login_file_that_is_missing(hall: Hall) -> None:
    hall.write(CONFIG.replace("[broker]", '[broker]\ncredentials_file = "login.toml"'))
    with pytest.raises(ConfigError, match=r"login\.toml"):
        build_core(load(hall.config), hall.clock)
    assert free(hall)


def test_a_channel_that_comes_with_another_unit(hall: Hall) -> None:
    with hall.core() as core:
        hall.level(core, 200)
    hall.write(CONFIG.replace('unit = "mm"', 'unit = "cm"'))
    with pytest.raises(ConfigError, match="its history is in 'mm'"):
        build_core(load(hall.config), hall.clock)
    assert free(hall)
    hall.write(CONFIG)
    with hall.core() as core:
        assert core.journal.restore().newest["harbour-hall/sump-node/level"].value == 200


def test_a_file_of_a_newer_version(hall: Hall) -> None:
    with hall.core():
        pass
    with closing(sqlite3.connect(hall.data / FILE_NAME)) as connection:
        connection.execute("INSERT INTO migration VALUES (9999, 'of the future')")
        connection.commit()
    with pytest.raises(ConfigError, match="written by a newer Weirwatch"):
        build_core(load(hall.config), hall.clock)
    assert free(hall)


def test_a_web_port_that_is_taken_stops_what_was_started(
    hall: Hall, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = set(threading.enumerate())
    with closing(socket.create_server(("127.0.0.1", 0))) as taken:
        port = taken.getsockname()[1]
        hall.write(CONFIG + f'[web]\nlisten = "127.0.0.1:{port}"\n')
        monkeypatch.setattr("weirwatch.control.web_child.PORT_TRIES", 2)
        core = build_core(load(hall.config), SystemClock(), ["false"])
        try:
            with pytest.raises(ConfigError, match="cannot be used for the web"):
                core.start()
        finally:
            core.stop()
    assert free(hall)
    wait_for(lambda: set(threading.enumerate()) <= before)


def test_stop_without_start_and_twice(hall: Hall) -> None:
    core = build_core(load(hall.config), hall.clock)
    core.stop()
    core.stop()
    assert free(hall)


# --- the first start -------------------------------------------------------------------------


def test_the_first_start_is_put_on_record_and_alarms_nobody(hall: Hall) -> None:
    with hall.core():
        pass
    found = [(s.event.kind, s.event.message) for s in hall.events()]
    assert found == [("service-started", "first start on a new file")]


def test_a_damaged_file_is_moved_aside_and_told(
    hall: Hall, capsys: pytest.CaptureFixture[str]
) -> None:
    hall.data.mkdir()
    (hall.data / FILE_NAME).write_bytes(b"not a database at all" * 300)
    with hall.core():
        pass
    kinds = [s.event.kind for s in hall.events()]
    assert kinds[:2] == ["damaged-file-moved-aside", "service-started"]
    assert "is damaged" in capsys.readouterr().err
    assert (hall.data / "damaged-20260501T120000Z" / FILE_NAME).exists()


# --- with its threads ------------------------------------------------------------------------


@pytest.mark.broker
@pytest.mark.timeout(300)
def test_a_started_core_delivers_and_stops_in_order(hall: Hall, tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path / "broker")
    before = set(threading.enumerate())
    hall.write(CONFIG.replace("127.0.0.1:1", f"127.0.0.1:{broker.port}"))
    core = build_core(load(hall.config), SystemClock())
    try:
        core.start()
        wait_for(lambda: core.health.as_json()["broker"]["connected"])
        broker.publish(f"{SUMP_NODE}/readings", '[{"n":"level","v":320}]')
        wait_for((hall.folder / "notices.jsonl").exists)
        wait_for(lambda: core.outbox.delivered == 1)
        client = ControlClient(hall.data / "control.sock")
        command = Command("acknowledge", "sump-high", "keeper", "going there")
        assert client.command(command)["state"] == "acknowledged"
        assert hall.state("sump-high") == "acknowledged"  # durable when answered
        with pytest.raises(IllegalCommand, match="nothing to acknowledge"):
            client.command(command)
        assert client.health()["counts"]["commands_refused"] == 1
        assert client.health()["counts"]["store"]["damaged_parts"] == 0
    finally:
        core.stop()
        broker.stop()
    assert free(hall)
    assert [s.event.kind for s in hall.events()] == [
        "service-started",
        "broker-connected",
        "raised",
        "acknowledged",
    ]
    with closing(sqlite3.connect(hall.data / FILE_NAME)) as connection:
        assert connection.execute("SELECT clean_stop FROM meta").fetchone() == (1,)
    wait_for(lambda: set(threading.enumerate()) <= before)


@pytest.mark.timeout(300)
def test_a_loop_that_dies_says_why_and_acknowledges_nothing(hall: Hall) -> None:
    core = build_core(load(hall.config), SystemClock())
    try:
        core.start()
        wait_for(lambda: core.journal.restore().alive_at)

        def fail(*_: object) -> dict[str, object]:  # nobody's fault can be foreseen
            core.journal._connection.execute("DROP TABLE event")
            return {}

        core.inbox.ask(Question(fail))
        core.inbox.put(LinkRequest(up=True))
        assert core.failed.wait(60)
        assert "no such table" in str(core.failure)
        assert core.transport.counters()["acked"] == 0
    finally:
        core.stop()
    assert free(hall)
