"""`weirwatch status`, with the service running, stopped, and never started."""

from collections.abc import Callable
from typing import Any

from support.cli_types import Call, Place, Run
from support.control_client import until
from typer.testing import Result

from weirwatch.app import Core

Parsed = Callable[[Result], Any]


def test_a_running_service_is_code_0_and_names_its_broker(
    running: tuple[Place, Core], call: Call, parsed: Parsed
) -> None:
    place, core = running
    until(lambda: core.health.as_json()["broker"]["connected"])
    result = call("status", "--config", place.config, "--json")
    assert result.exit_code == 0
    document = parsed(result)
    assert document["running"] is True
    broker = core.health.as_json()["broker"]
    assert document["health"]["broker"]["kind"] == broker["kind"]
    assert document["systems"][0]["id"] == "harbour-hall"
    level = document["channels"][0]
    assert (level["id"], level["value"]) == ("harbour-hall/sump-node/level", 999.0)
    assert level["age_s"] > 0
    text = call("status", "--config", place.config).output
    flat = " ".join(text.split())
    assert broker["kind"] in flat
    assert broker["limits"] in flat
    assert "connected" in flat
    assert "sump-node/level" in flat
    assert "999 mm" in flat
    assert "none yet" in flat  # the channel that was never heard
    assert max(len(line) for line in text.splitlines()) <= 80


def test_a_stopped_service_is_code_1_and_still_shows_the_record(run: Run, recorded: Place) -> None:
    result = run("status", "--config", recorded.config)
    assert result.returncode == 1
    assert "NOT RUNNING" in result.stdout
    assert "weirwatch serve" in result.stdout
    assert "sump-node/level" in result.stdout
    assert result.stderr == ""


def test_ids_stand_whole_in_80_columns_below_their_vessel(recorded: Place, call: Call) -> None:
    more = """
[[channel]]
id = "harbour-hall/hall-node/temperature-below-the-weir"
quantity = "temperature"
unit = "Cel"
vessel = "top-off reservoir"
"""
    recorded.config.write_text(recorded.config.read_text() + more)
    lines = call("status", "--config", recorded.config).output.splitlines()
    at = next(i for i, line in enumerate(lines) if line.strip() == "top-off reservoir")
    assert lines[at + 1].startswith("  hall-node/temperature-below-the-weir ")


def test_before_the_first_start_it_says_so(call: Call, place: Place, parsed: Parsed) -> None:
    result = call("status", "--config", place.config)
    assert result.exit_code == 1
    assert "no data yet; start the service once" in " ".join(result.output.split())
    document = parsed(call("status", "--config", place.config, "--json"))
    assert (document["running"], document["channels"], document["health"]) == (False, [], None)
