"""`weirwatch report upkeep`, with what was done and counted through `weirwatch log add`."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from support.cli_types import Call, Place
from typer.testing import Result

Parsed = Callable[[Result], Any]
MORE = """
[[job]]
id = "pump"
title = "Clean the pump"
every_days = 90
[[supply]]
id = "gas-bottle"
unit = "kg"
size = 6
"""


def test_what_waits_and_what_is_in_order(recorded: Place, call: Call, parsed: Parsed) -> None:
    file = Path(recorded.config)
    config = file.with_name("upkeep.toml")
    config.write_text(file.read_text("utf-8") + MORE, "utf-8")
    words = ("--config", str(config), "--data", recorded.data)
    first = call("report", "upkeep", *words).stdout
    assert "Clean the pump: never done" in first
    hint = "Never counted:\n  Gas bottle: weirwatch log add supply gas-bottle AMOUNT kg"
    assert hint in first
    assert "In order" not in first
    once = ("log", "add", "supply", "gas-bottle", "5", "kg", "--time", "20d", *words)
    assert call(*once).exit_code == 0
    counted = call("report", "upkeep", *words).stdout
    assert "How fast it goes is not known yet:\n  Gas bottle: 5 kg left" in counted
    assert "Never counted" not in counted
    for line in (
        ("maintenance", "--job", "pump", "--time", "3d"),
        ("supply", "gas-bottle", "4", "kg"),
    ):
        done = call("log", "add", *line, *words)
        assert done.exit_code == 0, done.output
    text = call("report", "upkeep", *words)
    assert text.exit_code == 0, text.output
    assert "Clean the pump: next on " in text.stdout
    assert "Gas bottle: 4 kg left, 80 days (" in text.stdout
    report = parsed(call("report", "upkeep", "--json", *words))
    assert [job["state"] for job in report["jobs"]] == ["done"]
    wrong = call("log", "add", "note", "x", "--job", "pump", *words)
    assert "--job is of maintenance, not of note" in str(wrong.exception)
