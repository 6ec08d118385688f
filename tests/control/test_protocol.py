"""What travels over the control socket is checked at the door."""

import json
import math
from typing import Any

import pytest

from weirwatch.control import protocol
from weirwatch.domain.errors import (
    ConfigError,
    IllegalCommand,
    PermanentError,
    TransientError,
    UnknownRule,
    WeirwatchError,
)
from weirwatch.ports import Command

GOOD: dict[str, Any] = {"name": "shelve", "rule": "sump-level-high", "who": "keeper"}


def test_a_command_survives_the_way() -> None:
    command = Command("acknowledge", "sump-level-high", "Zoë", "on my way ✓", None, 20.0)
    line = protocol.encode({"do": "command", "command": protocol.command_as_json(command)})
    assert line.endswith(b"\n")
    assert line.count(b"\n") == 1
    assert protocol.command_from_json(protocol.decode(line)["command"]) == command


@pytest.mark.parametrize(
    "change",
    [
        {"name": "unplug"},
        {"name": 3},
        {"rule": None},
        {"who": "x" * (protocol.MAX_TEXT + 1)},
        {"comment": ["a"]},
        {"comment": "\ud800"},
        {"minutes": 0},
        {"minutes": -1},
        {"minutes": True},
        {"minutes": "10"},
        {"minutes": math.nan},
        {"minutes": math.inf},
        {"minutes": 10**400},
        {"check_in_minutes": {}},
        {"speed": 1},
    ],
)
def test_a_wrong_field_is_refused(change: dict[str, Any]) -> None:
    assert protocol.command_from_json(GOOD).minutes is None
    with pytest.raises(protocol.NotTheProtocol):
        protocol.command_from_json(GOOD | change)


@pytest.mark.parametrize("line", [b"", b"{", b"[]", b"3", b"\xff\xfe", b"[" * 100_000])
def test_what_is_no_object_is_refused(line: bytes) -> None:
    with pytest.raises(protocol.NotTheProtocol):
        protocol.decode(line)


@pytest.mark.parametrize("command", [None, [], "acknowledge", 7])
def test_a_command_is_an_object(command: object) -> None:
    with pytest.raises(protocol.NotTheProtocol, match="object"):
        protocol.command_from_json(command)


@pytest.mark.parametrize(
    ("error", "kind", "back"),
    [
        (IllegalCommand("already acknowledged"), "illegal-command", IllegalCommand),
        (UnknownRule("no rule x"), "unknown-rule", UnknownRule),
        (TransientError("disk full"), "transient", TransientError),
        (protocol.NotTheProtocol("no"), "bad-request", PermanentError),
        (ConfigError("bad"), "wrong-use", ConfigError),
        (PermanentError("broken"), "failed", PermanentError),
    ],
)
def test_errors_keep_their_type(
    error: WeirwatchError, kind: str, back: type[WeirwatchError]
) -> None:
    answer = json.loads(protocol.encode(protocol.error_as_json(error)))
    assert answer["error"]["type"] == kind
    raised = protocol.error_from_json(answer["error"])
    assert type(raised) is back
    assert str(raised) == str(error)


def test_an_error_that_says_nothing_is_still_an_error() -> None:
    assert isinstance(protocol.error_from_json("?"), PermanentError)


@pytest.mark.parametrize("message", [{"x": "a" * protocol.MAX_LINE}, {"x": math.nan}])
def test_what_no_line_can_carry_is_refused(message: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"longer|JSON"):
        protocol.encode(message)
