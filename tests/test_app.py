"""The core put together: what a start finds, what it leaves behind when it cannot be made."""

import re
import shutil
import socket
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from support.loop_world import SUMP_NODE
from support.service import Mosquitto, wait_for
from support.still_clock import NOON, HandClock

from weirwatch.app import Core, build_core, disk_trouble
from weirwatch.clock import SystemClock
from weirwatch.config import load
from weirwatch.control.client import ControlClient
from weirwatch.domain.errors import ConfigError, IllegalCommand
from weirwatch.domain.instant import SECOND
from weirwatch.domain.operator import Command
from weirwatch.pipeline.inbox import CommandRequest, LinkRequest
from weirwatch.ports import Clock, StoredEvent, WireMessage
from weirwatch.store.lock import WriterLock
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

    def level(self, core: Core, value: float) -> None:
        self._mid += 1
        payload = f'[{{"n":"level","t":{self.clock.utc / 1e6},"v":{value}}}]'.encode()
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
    wait_for(lambda: set(threading.enumerate()) == before, 5)


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


def test_a_disk_is_told_of_when_it_is_nearly_full_or_gone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert disk_trouble(tmp_path) is None
    sentence = disk_trouble(tmp_path / "unmounted")
    assert sentence is not None
    assert "cannot be asked (No such file or directory)" in sentence
    free = shutil.disk_usage(tmp_path).free
    monkeypatch.setattr("weirwatch.app.LEAST_FREE_BYTES", free * 2)
    sentence = disk_trouble(tmp_path)
    assert sentence is not None
    assert re.match(r"only \d+ MB \(\d+ %\) are free where /.*: make room", sentence)


# --- over a restart --------------------------------------------------------------------------


def test_every_alarm_is_what_it_was_and_nobody_is_told_again(hall: Hall) -> None:
    with hall.core() as core:
        hall.level(core, 320)
        hall.command(core, "acknowledge", "sump-high", comment="going there")
    hall.clock.go(20)
    with hall.core() as core:
        assert core.health.as_json()["standing"] == 1
        hall.clock.go(1)
        hall.level(core, 321)
        assert hall.state("sump-high") == "acknowledged"
        hall.clock.go(1)
        hall.level(core, 290)
    assert hall.kinds("sump-high") == ["raised", "acknowledged", "returned"]
    assert hall.state("sump-high") == "normal"


def test_a_delay_that_was_running_starts_again_at_the_first_good_reading(hall: Hall) -> None:
    hall.write(CONFIG + LOW)
    with hall.core() as core:
        hall.level(core, 90)
        hall.clock.go(20)
    hall.clock.go(20)
    with hall.core() as core:
        hall.clock.go(20)
        core.loop.turn_once()
        hall.level(core, 91)
        hall.clock.go(29)
        core.loop.turn_once()
        assert hall.kinds("sump-low") == []
        hall.clock.go(1)
        core.loop.turn_once()
        assert hall.kinds("sump-low") == ["raised"]
    assert hall.events()[-1].event.time == NOON + 90 * SECOND


def test_shelving_goes_on_and_ends_at_its_own_time(hall: Hall) -> None:
    with hall.core() as core:
        hall.command(core, "shelve", "sump-high", minutes=10)
        hall.level(core, 320)
    hall.clock.go(9 * 60)
    with hall.core() as core:
        assert hall.kinds("sump-high") == ["shelved", "raised"]
        hall.clock.go(61)
        core.loop.turn_once()
    last = [s.event for s in hall.events() if s.event.rule == "sump-high"][-1]
    assert (last.kind, last.annunciated, last.time) == ("unshelved", True, NOON + 600 * SECOND)


def test_a_short_orderly_stop_is_on_record_only(hall: Hall) -> None:
    with hall.core():
        pass
    hall.clock.go(60)
    with hall.core():
        pass
    assert hall.kinds("service-was-down") == []
    assert [s.event.message for s in hall.events() if s.event.kind == "service-started"][1] == (
        "the service was stopped in order and away from 2026-05-01 12:00:00 UTC to "
        "2026-05-01 12:01:00 UTC (1 min)"
    )


@pytest.mark.parametrize(
    ("ends", "away", "how"), [("lost", 1, "lost"), ("in order", 61, "stopped")]
)
def test_a_loss_or_a_long_stop_is_told(hall: Hall, ends: str, away: float, how: str) -> None:
    with hall.core(ends=ends):
        pass
    hall.clock.go(away)
    with hall.core():
        pass
    assert hall.kinds("service-was-down") == ["raised", "returned"]
    raised = next(s.event for s in hall.events() if s.event.rule == "service-was-down")
    assert raised.annunciated
    assert f"the service was {how}" in raised.message
    hall.clock.go(1)
    with hall.core():
        pass
    assert len(hall.kinds("service-was-down")) == 2


def test_a_clock_behind_the_last_record_is_told_once(hall: Hall) -> None:
    with hall.core():
        pass
    hall.clock = HandClock(utc=NOON - 86_400 * SECOND)  # a board without a battery clock
    with hall.core() as core:
        for _ in range(3):
            hall.clock.go(1)
            core.loop.turn_once()
        assert hall.kinds("clock-untrusted") == ["raised"]
        hall.clock.set_wall(NOON + 3600 * SECOND)
        core.loop.turn_once()
    assert hall.kinds("clock-untrusted") == ["raised", "returned"]


def test_a_clock_that_is_sound_again_at_the_next_start_clears_the_alarm(hall: Hall) -> None:
    with hall.core():
        pass
    hall.clock.set_wall(NOON - 86_400 * SECOND)
    with hall.core():
        pass
    hall.clock.set_wall(NOON + 30 * SECOND)
    with hall.core():
        pass
    assert hall.kinds("clock-untrusted") == ["raised", "returned"]


def test_a_node_that_was_offline_still_is(hall: Hall) -> None:
    hall.write(
        CONFIG + '[[rule]]\nid = "node-offline/sump-node"\nkind = "system"\non_delay_s = 0\n'
    )
    with hall.core() as core:
        topic = f"{SUMP_NODE}/connection"
        payload = b'{"connected": false}'
        core.inbox.put(WireMessage(1, 1, 1, topic, payload, hall.clock.utc, False))
        core.loop.turn_once()
    hall.clock.go(10)
    with hall.core() as core:
        hall.clock.go(10)
        core.loop.turn_once()
        assert "node-offline/sump-node" in core.health.as_json()["problems"][-1]
    assert hall.kinds("node-offline/sump-node") == ["raised"]


def test_two_systems_with_a_node_of_the_same_name_each_have_their_rule(hall: Hall) -> None:
    other = CONFIG.split("[[system]]")[1].split("[[rule]]")[0].replace("harbour-hall", "annexe")
    off = [
        f'[[rule]]\nid = "node-offline/{system}/sump-node"\nkind = "system"\non_delay_s = 0\n'
        for system in ("harbour-hall", "annexe")
    ]
    hall.write(f"{CONFIG}[[system]]{other}{''.join(off)}")
    with hall.core() as core:
        topic, payload = "weirwatch/annexe/sump-node/connection", b'{"connected": false}'
        core.inbox.put(WireMessage(1, 1, 1, topic, payload, hall.clock.utc, False))
        core.loop.turn_once()
    assert hall.kinds("node-offline/annexe/sump-node") == ["raised"]
    assert hall.kinds("node-offline/harbour-hall/sump-node") == []


# --- rules that were edited or deleted -------------------------------------------------------


def test_a_deleted_rule_is_closed_on_record(hall: Hall) -> None:
    hall.write(CONFIG + LOW)
    with hall.core() as core:
        hall.level(core, 320)
        hall.command(core, "shelve", "sump-low", minutes=10)
    hall.write(CONFIG.replace('"sump-high"\ntitle', '"sump-too-high"\ntitle'))
    hall.clock.go(10)
    with hall.core() as core:
        shown = core.health.as_json()
    closing_events = [s.event for s in hall.events() if s.event.kind == "rule-deleted"]
    assert [(e.rule, e.from_state, e.to_state) for e in closing_events] == [
        ("sump-high", "unacknowledged", "normal"),
        ("sump-low", "normal", "normal"),
    ]
    assert shown["standing"] == 0
    with closing(SqliteArchive(hall.data / FILE_NAME)) as archive:
        assert not {"sump-high", "sump-low"} & set(archive.alarms())
    with hall.core():
        pass
    assert [s.event.kind for s in hall.events()].count("rule-deleted") == 2


@pytest.mark.parametrize(("high", "kinds"), [(315, []), (330, ["returned"])])
def test_an_edited_rule_is_judged_anew(hall: Hall, high: int, kinds: list[str]) -> None:
    with hall.core() as core:
        hall.level(core, 320)
    hall.write(CONFIG.replace("high = 310", f"high = {high}"))
    hall.clock.go(10)
    with hall.core() as core:
        assert hall.kinds("sump-high") == ["raised", "limits-changed"]
        hall.level(core, 318)  # above 315; within the deadband of 330 and yet not above it
    assert hall.kinds("sump-high") == ["raised", "limits-changed", *kinds]
    hall.clock.go(10)
    with hall.core():
        pass
    assert hall.kinds("sump-high").count("limits-changed") == 1


# --- with its threads ------------------------------------------------------------------------


@pytest.mark.broker
@pytest.mark.timeout(60)
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
    wait_for(lambda: set(threading.enumerate()) == before, 5)


@pytest.mark.timeout(60)
def test_a_loop_that_dies_says_why_and_acknowledges_nothing(hall: Hall) -> None:
    core = build_core(load(hall.config), SystemClock())
    try:
        core.start()
        wait_for(lambda: core.journal.restore().alive_at)
        core.journal._connection.execute("DROP TABLE event")  # nobody's fault can be foreseen
        core.inbox.put(LinkRequest(up=True))
        assert core.failed.wait(10)
        assert "no such table" in str(core.failure)
        assert core.transport.counters()["acked"] == 0
    finally:
        core.stop()
    assert free(hall)
