"""`weirwatch alarms explain` asks a real core over its control socket."""

from collections.abc import Callable
from typing import Any

import pytest
from support.cli_types import Call, Place
from typer.testing import Result

from weirwatch.app import Core
from weirwatch.domain.errors import TransientError, UnknownRule

Running = tuple[Place, Core]


def test_the_running_core_is_asked(
    running: Running, call: Call, parsed: Callable[[Result], Any]
) -> None:
    place, _ = running
    found = parsed(call("alarms", "explain", "sump-high", "--config", place.config, "--json"))
    assert (found["id"], found["limit"], found["deadband"]) == ("sump-high", 345, 8)
    assert found["measurement"]["good_value"] == 359.0  # the newest good one on file
    assert found["readings"][0]["value"] == 999.0
    shown = call("alarms", "--config", place.config, "explain", "sump-high").output
    assert "Sump above its drain-back (sump-high, absolute)" in shown
    assert "Deadband      8 mm" in shown
    assert "CEST  999 mm" in shown


def test_readings_of_a_switch_are_in_words(running: Running, call: Call) -> None:
    place, _ = running
    shown = call("alarms", "--config", place.config, "explain", "floor-leak").output
    assert "Limit         gone" in shown
    assert "CEST  there" in shown


def test_an_unknown_rule_is_named(running: Running, call: Call) -> None:
    place, _ = running
    result = call("alarms", "explain", "sump-hihg", "--config", place.config)
    assert isinstance(result.exception, UnknownRule)
    assert "sump-hihg" in str(result.exception)


def test_without_the_service_it_says_so(recorded: Place, call: Call) -> None:
    result = call("alarms", "explain", "sump-high", "--config", recorded.config)
    with pytest.raises(TransientError, match="the service does not run"):
        raise result.exception or AssertionError
