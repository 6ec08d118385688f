"""The core's end of the control socket against clients of every kind of behaviour."""

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from functools import partial
from pathlib import Path
from typing import Any, Protocol

import pytest
from support.control_client import Listener, ask_raw, until

from weirwatch.clock import SystemClock
from weirwatch.control import protocol
from weirwatch.control.client import ControlClient
from weirwatch.control.server import (
    IDLE_AFTER,
    MOST_CONNECTIONS,
    STALLED_AFTER,
    ControlServer,
)
from weirwatch.domain.errors import ConfigError, TransientError, UnknownRule
from weirwatch.ports import Command


class Start(Protocol):
    def __call__(self, handle: Any = ..., health: Any = ...) -> ControlServer: ...


class MovedClock(SystemClock):
    """The machine's clock, moved on by hand."""

    real = 0

    def real_mono(self) -> int:
        return self.real


def event(number: int, text: str = "") -> dict[str, Any]:
    return {"event": {"seq": number, "message": text}}


def has_heard(listener: Listener, messages: int) -> bool:
    return len(listener.heard) >= messages


def test_close_is_safe_before_start_and_twice(path: Path) -> None:
    server = ControlServer(path, lambda _: {}, dict, SystemClock())
    server.publish(event(1))
    server.close()
    server.close()
    assert not path.exists()


def test_a_second_server_is_refused_and_the_first_goes_on(path: Path, start: Start) -> None:
    start()
    second = ControlServer(path, lambda _: {}, dict, SystemClock())
    with pytest.raises(ConfigError, match="already runs"):
        second.start()
    second.close()
    assert ControlClient(path).health() == {"status": "good"}


def test_every_listener_hears_every_event_in_order(path: Path, start: Start) -> None:
    server = start()
    listeners = [Listener(path) for _ in range(3)]
    for number in range(200):
        server.publish(event(number))
    for listener in listeners:
        until(partial(has_heard, listener, 200))
        assert [e["seq"] for e in listener.events()] == list(range(200))
    server.close()
    for listener in listeners:
        assert listener.ended.wait(60), "the listener learns that the core's end has closed"


def test_readings_reach_a_listener_newest_first_served(path: Path, start: Start) -> None:
    server = start()
    listener = Listener(path)
    server.publish({"readings": {"harbour-hall/sump-node/level": [1, 210.0, "good"]}})
    server.publish({"readings": {"harbour-hall/sump-node/level": [2, 211.0, "good"]}})
    until(lambda: bool(listener.heard))
    until(lambda: listener.heard[-1]["readings"]["harbour-hall/sump-node/level"][0] == 2)


STOPPABLE = """
import json, sys
from pathlib import Path
from weirwatch.control.client import ControlClient
with ControlClient(Path(sys.argv[1])).listen() as messages:
    print("listening", flush=True)
    for message in messages:
        print(json.dumps(message), flush=True)
"""


@pytest.fixture
def stoppable(path: Path) -> Any:
    started: list[subprocess.Popen[str]] = []

    def go() -> subprocess.Popen[str]:
        child = subprocess.Popen(
            [sys.executable, "-c", STOPPABLE, str(path)], stdout=subprocess.PIPE, text=True
        )
        started.append(child)
        assert child.stdout is not None
        assert child.stdout.readline() == "listening\n"
        return child

    yield go
    for child in started:
        with contextlib.suppress(ProcessLookupError):
            os.kill(child.pid, signal.SIGKILL)
        child.wait()
        assert child.stdout is not None
        child.stdout.close()


@pytest.mark.timeout(300)  # one that did would wait for ever
def test_a_stopped_listener_delays_nobody_and_learns_what_it_missed(
    path: Path, start: Start, stoppable: Any
) -> None:
    server = start()
    child = stoppable()
    os.kill(child.pid, signal.SIGSTOP)
    brisk = Listener(path)
    for number in range(5000):
        server.publish(event(number, "x" * 100))
        if number % 50 == 0:  # the brisk one reads as fast as it can, which takes a moment
            until(partial(has_heard, brisk, number + 1))
    until(lambda: len(brisk.heard) == 5000)
    assert ControlClient(path).health() == {"status": "good"}
    dropped = server.counters()["dropped"]
    assert dropped > 3000

    os.kill(child.pid, signal.SIGCONT)
    heard: list[dict[str, Any]] = []
    while not heard or heard[-1].get("event", {}).get("seq") != 4999:
        heard.append(json.loads(child.stdout.readline()))
    told = sum(message.get("dropped", 0) for message in heard)
    events = [message for message in heard if "event" in message]
    assert told == dropped
    assert told + len(events) == 5000, "each event is either heard or told as dropped"
    gap = next(i for i, message in enumerate(heard) if "dropped" in message)
    assert heard[gap + 1]["event"]["seq"] == heard[gap - 1]["event"]["seq"] + 1 + told


def test_a_listener_that_vanishes_is_forgotten(path: Path, start: Start, stoppable: Any) -> None:
    server = start()
    child = stoppable()
    assert server.counters()["listeners"] == 1
    os.kill(child.pid, signal.SIGKILL)
    until(lambda: server.counters()["listeners"] == 0)
    server.publish(event(1))
    until(lambda: server.counters()["connections"] == 0)


def test_a_slow_command_delays_neither_health_nor_listeners(path: Path, start: Start) -> None:
    begun, go_on = threading.Event(), threading.Event()

    def slow(command: Command) -> dict[str, Any]:
        begun.set()
        assert go_on.wait(60)
        return {"id": command.rule}

    server = start(slow)
    answers: list[Any] = []
    client = ControlClient(path)
    asking = threading.Thread(
        target=lambda: answers.append(client.command(Command("reset", "a", "keeper")))
    )
    asking.start()
    assert begun.wait(60)
    listener = Listener(path)
    server.publish(event(1))
    until(lambda: len(listener.heard) == 1)
    assert client.health() == {"status": "good"}
    assert answers == []
    go_on.set()
    asking.join(60)
    assert answers == [{"id": "a"}]


def test_commands_are_done_one_after_the_other(path: Path, start: Start) -> None:
    at_once: list[int] = []
    inside = 0

    def handle(command: Command) -> dict[str, Any]:
        nonlocal inside
        inside += 1
        at_once.append(inside)
        time.sleep(0.01)
        inside -= 1
        return {}

    server = start(handle)
    client = ControlClient(path)
    threads = [
        threading.Thread(target=client.command, args=(Command("reset", f"r{n}", "keeper"),))
        for n in range(10)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert at_once == [1] * 10
    assert server.counters()["commands"] == 10


@pytest.mark.parametrize(
    "data",
    [
        b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"\x00\xff\xfe\n",
        b"[]\n",
        b'{"do": "explode"}\n',
        b'{"do": "command"}\n',
        b'{"do": "command", "command": {"name": "acknowledge"}}\n',
        b"x" * (protocol.MAX_LINE + 70_000),
    ],
)
def test_nonsense_is_answered_and_ended(path: Path, start: Start, data: bytes) -> None:
    server = start()
    answers = ask_raw(path, data)
    assert [answer["error"]["type"] for answer in answers] == ["bad-request"]
    assert server.counters()["bad_requests"] == 1
    assert ControlClient(path).health() == {"status": "good"}


def test_several_requests_on_one_connection_are_answered_in_order(path: Path, start: Start) -> None:
    start()
    command = {"name": "reset", "rule": "a", "who": "keeper"}
    lines = protocol.encode({"do": "command", "command": command})
    lines += protocol.encode({"do": "health"}) + lines
    assert ask_raw(path, lines) == [
        {"ok": {"id": "a", "who": "keeper"}},
        {"ok": {"status": "good"}},
        {"ok": {"id": "a", "who": "keeper"}},
    ]


def test_a_fault_of_the_core_is_an_answer_not_an_end(
    path: Path, start: Start, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(command: Command) -> dict[str, Any]:
        raise ZeroDivisionError

    server = start(broken)
    command = {"name": "reset", "rule": "a", "who": "keeper"}
    line = protocol.encode({"do": "command", "command": command})
    assert ask_raw(path, line)[0]["error"]["type"] == "failed"
    assert server.counters()["handler_failures"] == 1
    assert "control.handler_failed" in caplog.text
    assert ControlClient(path).health() == {"status": "good"}


def test_a_message_that_no_line_can_carry_is_told_as_dropped(
    path: Path, start: Start, caplog: pytest.LogCaptureFixture
) -> None:
    server = start()
    listener = Listener(path)
    server.publish({"event": "x" * protocol.MAX_LINE})
    server.publish({"event": object()})
    until(lambda: sum(m.get("dropped", 0) for m in listener.heard) == 2)
    assert server.counters()["unsendable"] == 2
    assert "control.unsendable" in caplog.text


def test_too_many_connections_are_refused_and_the_others_live(path: Path, start: Start) -> None:
    server = start()
    listener = Listener(path)
    idle = []
    for _ in range(MOST_CONNECTIONS + 10):
        sock = socket.socket(socket.AF_UNIX)
        sock.connect(str(path))
        idle.append(sock)
    until(lambda: server.counters()["refused"] == 11)
    server.publish(event(1))
    until(lambda: len(listener.heard) == 1)
    with pytest.raises(TransientError):
        ControlClient(path).health()
    for sock in idle:
        sock.close()
    until(lambda: server.counters()["connections"] == 1)
    assert ControlClient(path).health() == {"status": "good"}


def test_who_asks_nothing_is_let_go_and_a_quiet_listener_is_not(path: Path) -> None:
    clock = MovedClock()
    server = ControlServer(path, lambda _: {}, dict, clock)
    server.start()
    try:
        listener = Listener(path)
        with socket.socket(socket.AF_UNIX) as idle:
            idle.settimeout(60)
            idle.connect(str(path))
            until(lambda: server.counters()["connections"] == 2)
            clock.real += IDLE_AFTER + 1
            server.publish(event(1))  # it looks around whenever something happens
            assert idle.recv(10) == b""
        until(lambda: len(listener.heard) == 1)
        assert server.counters()["listeners"] == 1
    finally:
        server.close()


def test_a_listener_that_has_stopped_reading_is_counted(path: Path) -> None:
    clock = MovedClock()
    server = ControlServer(path, lambda _: {}, dict, clock)
    server.start()
    try:
        with socket.socket(socket.AF_UNIX) as stopped:
            stopped.connect(str(path))
            stopped.sendall(protocol.encode({"do": "listen"}))
            assert stopped.recv(1000)
            for number in range(2000):
                server.publish(event(number, "x" * 1000))
            until(lambda: server.counters()["dropped"] > 0)

            def stalled() -> bool:  # some may still be on its way into the socket
                clock.real += STALLED_AFTER + 1
                server.publish(event(2000))
                return server.counters()["stalled_listeners"] == 1

            until(stalled)
        until(lambda: server.counters()["stalled_listeners"] == 0)
    finally:
        server.close()


def test_a_mistake_of_our_own_does_not_end_the_socket(
    path: Path, start: Start, caplog: pytest.LogCaptureFixture
) -> None:
    server = start()
    listener = Listener(path)
    server.publish({"readings": {"harbour-hall/sump-node/level": object()}})
    until(lambda: "control.round_failed" in caplog.text)
    server.publish(event(1))
    until(lambda: listener.events() == [{"seq": 1, "message": ""}])
    assert ControlClient(path).health() == {"status": "good"}


def test_a_listener_that_talks_is_let_go(path: Path, start: Start) -> None:
    server = start()
    with socket.socket(socket.AF_UNIX) as sock:
        sock.connect(str(path))
        sock.sendall(protocol.encode({"do": "listen"}))
        assert json.loads(sock.recv(1000)) == {"ok": {"listening": True}}
        sock.sendall(b"{}\n")
        assert sock.recv(1000) == b""
    until(lambda: server.counters()["listeners"] == 0)


def test_an_answer_under_way_is_given_before_the_end(path: Path, start: Start) -> None:
    begun = threading.Event()

    def slow(command: Command) -> dict[str, Any]:
        begun.set()
        time.sleep(0.2)
        return {"done": True}

    server = start(slow)
    answers: list[Any] = []
    client = ControlClient(path)
    asking = threading.Thread(
        target=lambda: answers.append(client.command(Command("reset", "a", "keeper")))
    )
    asking.start()
    assert begun.wait(60)
    server.close()
    asking.join(60)
    assert answers == [{"done": True}]
    assert not path.exists()


def test_an_explanation_is_asked_by_rule(path: Path) -> None:
    def explain(rule: str) -> dict[str, Any]:
        if rule == "nonsense":
            raise UnknownRule(f"no rule has the id {rule!r}")
        return {"id": rule}

    server = ControlServer(path, lambda _: {}, dict, SystemClock(), explain=explain)
    server.start()
    try:
        client = ControlClient(path)
        assert client.explain("sump-level-high") == {"id": "sump-level-high"}
        with pytest.raises(UnknownRule, match="nonsense"):
            client.explain("nonsense")
        answer = ask_raw(path, b'{"do": "explain", "explain": "sump"}\n')
        assert answer[0]["error"]["type"] == "bad-request"
    finally:
        server.close()
