"""`weirwatch drill chiller-failed` where there is a chiller."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.cli_types import Call
from typer.testing import Result

from weirwatch.cli.demo_plant import demo_config
from weirwatch.cli.drill_plant import SimulatedPlant
from weirwatch.config import load

MORE = """
[plant.chiller]
cooling_w = 700
set_degc = 26.5
vessel = "sump"
electric_w = 230
[[channel]]
id = "harbour-hall/sump-node/chiller-power"
quantity = "power"
unit = "W"
valid = [0, 400]
[[rule]]
id = "chiller-failed"
from_catalogue = "chiller-failed"
channel = "harbour-hall/hall-node/north-temperature"
"""


def with_chiller(folder: Path) -> Path:
    text = demo_config().read_text()
    assert 'without = ["chiller-failed"]' in text
    file = folder / "hall.toml"
    file.write_text(text.replace('without = ["chiller-failed"]', "without = []") + MORE)
    return file


def test_its_power_is_fed_by_the_simulator(tmp_path: Path) -> None:
    plant = SimulatedPlant(load(with_chiller(tmp_path)))
    assert "chiller-failed" in plant.can_play()
    assert plant.unfed() == ()


@pytest.mark.slow
@pytest.mark.no_cover  # as tests/cli/test_drill_slow.py
def test_it_is_told_before_harm(
    call: Call, parsed: Callable[[Result], Any], tmp_path: Path
) -> None:
    config = with_chiller(tmp_path)
    document = parsed(call("drill", "chiller-failed", "--config", config, "--json"))
    (failure,) = document["failures"]
    (play,) = failure["runs"]
    assert play["first_alarm"] == "chiller-failed"
    assert play["verdict"] == "detected"
    assert (play["false_alarms"], play["quarantined"]) == ([], 0)
