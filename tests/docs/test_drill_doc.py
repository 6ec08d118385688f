"""docs/drill.md tells every key of a scenario file, every act and verdict; its example loads."""

import re
from pathlib import Path

from weirsim.acts import ACTS
from weirsim.faults import FAULTS
from weirwatch.cli.demo_plant import demo_config
from weirwatch.cli.drill_plant import SimulatedPlant
from weirwatch.cli.scenario_plant import playable
from weirwatch.config import load
from weirwatch.config.catalogue import load_catalogue
from weirwatch.config.entries import keys_of
from weirwatch.config.scenario_config import load_scenario
from weirwatch.config.scenario_models import EntryConfig, ScenarioConfig
from weirwatch.pipeline.timeline import Finding

DOCS = Path(__file__).parents[2] / "docs"
TEXT = (DOCS / "drill.md").read_text("utf-8").split("\n## Scenarios\n")[1].split("\n## ")[0]


def told(first: str) -> set[str]:
    """Return what stands in the first column of the table with this heading."""
    table = TEXT.split(f"| {first} |")[1].split("\n\n")[0]
    cells = re.findall(r"^\| (.+?) \|", table, re.MULTILINE)
    return {word.strip("`") for cell in cells for word in re.split(" or |, ", cell)}


def test_every_key_act_and_verdict_is_told_and_no_other() -> None:
    assert told("key of `[scenario]`") == set(keys_of(ScenarioConfig))
    assert told("key of `[[entry]]`") == set(keys_of(EntryConfig))
    assert told("act") == set(ACTS)
    assert told("word") == {finding.value for finding in Finding}


def test_the_told_defaults_are_right() -> None:
    table = TEXT.split("| key of `[scenario]` |")[1].split("\n\n")[0]
    found = re.findall(r"^\| `(\w+)` \| `(.+?)` \|", table, re.MULTILINE)
    assert len(found) == 3
    for key, default in found:
        assert str(ScenarioConfig.model_fields[key].default) == default.strip('"')


def test_every_fault_is_told_with_the_simulator() -> None:
    table = (DOCS / "simulator.md").read_text("utf-8").split("| id | target |")[1]
    rows = re.findall(r"^\| (`.+?) \|", table.split("\n\n")[0], re.MULTILINE)
    assert {name for row in rows for name in re.findall(r"`([^`]+)`", row)} == set(FAULTS)


def test_the_example_loads(tmp_path: Path) -> None:
    settings = load(demo_config())
    known = playable(SimulatedPlant(settings).stage, load_catalogue().failures, ())
    (block,) = re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL)
    file = tmp_path / "scenario.toml"
    file.write_text(block, "utf-8")
    scenario = load_scenario(file, known, settings.service.time_zone)
    assert [entry.fault or entry.act for entry in scenario.entries] == [
        "return-flow-reduced",
        "node-offline",
        "feeding",
    ]
