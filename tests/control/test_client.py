"""The core as the web and the command line see it: answers, typed errors, time-outs."""

import socket
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from support.control_client import until

from weirwatch.control.client import ControlClient
from weirwatch.domain.errors import (
    ConfigError,
    IllegalCommand,
    PermanentError,
    TransientError,
    UnknownRule,
)
from weirwatch.ports import Command, Core

ACKNOWLEDGE = Command("acknowledge", "sump-level-high", "keeper")


def test_it_is_the_port(path: Path) -> None:
    core: Core = ControlClient(path)
    assert core is not None


def test_a_command_arrives_whole_and_its_answer_comes_back(path: Path, start: Any) -> None:
    seen: list[Command] = []

    def handle(command: Command) -> Mapping[str, Any]:
        seen.append(command)
        return {"id": command.rule, "state": "acknowledged"}

    start(handle)
    command = Command("acknowledge", "sump-level-high", "keeper", "on my way", None, 20.0)
    answer = ControlClient(path).command(command)
    assert answer == {"id": "sump-level-high", "state": "acknowledged"}
    assert seen == [command]


@pytest.mark.parametrize(
    "error",
    [
        IllegalCommand("it is acknowledged already"),
        UnknownRule("no rule x"),
        TransientError("the disk is full"),
    ],
)
def test_errors_keep_their_type_and_sentence(path: Path, start: Any, error: Exception) -> None:
    def handle(command: Command) -> Mapping[str, Any]:
        raise error

    start(handle)
    with pytest.raises(type(error), match=str(error)):
        ControlClient(path).command(ACKNOWLEDGE)


def test_a_fault_of_the_core_is_permanent(path: Path, start: Any) -> None:
    def handle(command: Command) -> Mapping[str, Any]:
        raise KeyError("x")

    start(handle)
    with pytest.raises(PermanentError, match="its log says more"):
        ControlClient(path).command(ACKNOWLEDGE)


@pytest.mark.parametrize("leave_a_file", [False, True])
def test_no_core_is_a_sentence_with_the_cure(path: Path, leave_a_file: bool) -> None:
    if leave_a_file:
        with socket.socket(socket.AF_UNIX) as dead:
            dead.bind(str(path))
    client = ControlClient(path)
    with pytest.raises(TransientError, match=r"does not run.*weirwatch serve"):
        client.health()
    with pytest.raises(TransientError), client.listen():
        pytest.fail("there is nothing to listen to")


def test_a_path_beyond_the_limit_is_the_operators(path: Path) -> None:
    with pytest.raises(ConfigError, match="bytes"):
        ControlClient(path / ("x" * 120)).health()


def test_a_core_that_does_not_answer_is_given_up(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as silent:
        silent.bind(str(path))
        silent.listen()
        before = time.monotonic()
        with pytest.raises(TransientError, match="did not answer in time"):
            ControlClient(path, command_timeout_s=0.2).command(ACKNOWLEDGE)
        assert 0.2 <= time.monotonic() - before < 15


@pytest.mark.parametrize(
    ("answer", "error"),
    [
        (b"", TransientError),
        (b"hello\n", PermanentError),
        (b'{"ok": 3}\n', PermanentError),
        (b'{"error": 3}\n', PermanentError),
        (b"x" * (1024 * 1024 + 70_000), PermanentError),
    ],
)
def test_an_answer_that_is_none_is_an_error(
    path: Path, answer: bytes, error: type[Exception]
) -> None:
    with socket.socket(socket.AF_UNIX) as odd:
        odd.bind(str(path))
        odd.listen()

        def reply() -> None:
            connection, _ = odd.accept()
            with connection:
                connection.recv(65536)
                try:
                    connection.sendall(answer)
                except OSError:
                    return

        thread = threading.Thread(target=reply)
        thread.start()
        with pytest.raises(error):
            ControlClient(path).health()
        thread.join(60)


def test_leaving_ends_a_listening_that_waits_in_another_thread(path: Path, start: Any) -> None:
    server = start()
    heard: list[Any] = []
    with ControlClient(path).listen() as messages:
        thread = threading.Thread(target=lambda: heard.extend(messages))
        thread.start()
        server.publish({"event": {"seq": 1}})
        until(lambda: len(heard) == 1)
        assert thread.is_alive()
    thread.join(60)
    assert not thread.is_alive()
    assert heard == [{"event": {"seq": 1}}]
    until(lambda: server.counters()["listeners"] == 0)
