"""`weirwatch drill --scenario` on the demo's plant and rules."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.cli_types import Call
from typer.testing import Result

from weirwatch.cli.demo_plant import demo_config
from weirwatch.cli.drill_plant import SimulatedPlant
from weirwatch.cli.scenario_plant import playable
from weirwatch.config import load
from weirwatch.config.catalogue import load_catalogue
from weirwatch.config.scenario_config import load_scenario

DEMO = demo_config()
SHORT = """\
[scenario]
title = "Water on the floor"
lasts = "15 min"
[[entry]]
at = 0
act = "feeding"
[[entry]]
at = "5 min"
fault = "floor-leak"
repaired_after = "5 min"
[[entry]]
at = "6 min"
fault = "overflow-blocked"
target = "south"
"""
Parse = Callable[[Result], Any]


def drill(call: Call, folder: Path, text: str, *words: str, config: Path = DEMO) -> Result:
    file = folder / "scenario.toml"
    file.write_text(text)
    return call("drill", "--scenario", file, "--config", config, *words)


def test_faults_that_overlap_are_told_each_for_itself(
    call: Call, parsed: Parse, tmp_path: Path
) -> None:
    document = parsed(drill(call, tmp_path, SHORT.replace("at = 0", 'at = "14 min"'), "--json"))
    assert document["passed"] is True
    leak, blocked = document["faults"]
    # as a drill of each alone: tests/cli/test_drill.py
    assert (leak["entry"], leak["detected_s"], leak["harm_s"]) == (2, 15.0, 65.0)
    assert leak["first_alarm"] == "floor-leak"
    assert (blocked["targets"], blocked["verdict"]) == (["south"], "detected")
    assert blocked["first_alarm"] == "overflow-blocked-south"
    assert blocked["margin_s"] == blocked["harm_s"] - blocked["detected_s"]
    assert document["acts"] == [{"entry": 1, "at_s": 840.0, "act": "feeding"}]
    assert (document["false_alarms"], document["quarantined"]) == ([], 0)
    assert document["seed"] == 1


def test_people_read_a_table_and_a_sentence_each(call: Call, tmp_path: Path) -> None:
    result = drill(call, tmp_path, SHORT.replace("at = 0", 'at = "14 min"'))
    assert result.exit_code == 0, result.output
    said = " ".join(result.output.split())
    assert "1 14.0 min feeding" in said
    assert "2 5.0 min floor-leak 15 s 1.1 min 50 s floor-leak" in said
    assert "2 DETECTED The return pipe leaks onto the floor (mended after 5 min): told" in said
    assert "Faults as expected: 2 of 2." in said
    assert all(len(line) <= 80 for line in result.output.splitlines())


def test_a_fault_that_no_rule_tells_is_missed_with_a_cure(
    call: Call, parsed: Parse, tmp_path: Path
) -> None:
    text = DEMO.read_text()
    start = text.rindex("[[rule]]", 0, text.index('id = "floor-leak"'))
    config = tmp_path / "edited.toml"
    config.write_text(text[:start] + text[text.index("[[rule]]", start + 1) :])
    result = drill(call, tmp_path, SHORT, "--json", config=config)
    assert result.exit_code == 1
    leak = json.loads(result.stdout)["faults"][0]
    assert leak["verdict"] == "missed"
    assert 'No rule has failure = "floor-leak"' in leak["sentence"]


def test_what_should_stay_quiet_and_does_not_is_exit_code_1(call: Call, tmp_path: Path) -> None:
    entry = '[[entry]]\nat = 60\nfault = "floor-leak"\nexpect = "quiet"\n'
    result = drill(call, tmp_path, f'[scenario]\nlasts = "5 min"\n{entry}')
    assert result.exit_code == 1
    assert "which should have stayed quiet" in " ".join(result.output.split())


def test_nodes_and_probes_fail_too(call: Call, parsed: Parse, tmp_path: Path) -> None:
    text = """\
[scenario]
lasts = "40 min"
[[entry]]
at = "1 min"
fault = "node-offline"
target = "hall-node"
repaired_after = "10 min"
[[entry]]
at = "20 min"
fault = "probe-silent"
target = "sump-node/level"
repaired_after = "10 min"
[[entry]]
at = "20 min"
fault = "probe-bubble"
target = "sump-node/ph"
repaired_after = "5 min"
[[entry]]
at = "30 min"
fault = "node-clock-wrong"
target = "hall-node"
"""
    result = drill(call, tmp_path, text, "--json")
    assert result.exit_code == 0, result.output
    document = parsed(result)
    offline, silent, bubble, clock = document["faults"]
    assert offline["first_alarm"] == "node-offline/hall-node"
    assert silent["first_alarm"] in {r.id for r in load(DEMO).rules if r.failure == "probe-silent"}
    assert bubble["expect"] == "either"
    assert clock["verdict"] == "detected"
    assert document["quarantined"] > 0  # readings from the future: not a mistake here


def test_the_seed_may_come_from_the_command_line(call: Call, parsed: Parse, tmp_path: Path) -> None:
    text = '[scenario]\nlasts = "1 min"\nseed = 5\n[[entry]]\nat = 0\nact = "mains-dip"\n'
    assert parsed(drill(call, tmp_path, text, "--json"))["seed"] == 5
    assert parsed(drill(call, tmp_path, text, "--json", "--seed", "8"))["seed"] == 8


@pytest.mark.parametrize("words", [["floor-leak"], ["--live"], ["--runs", "2"], ["--every", "60"]])
def test_a_scenario_is_played_alone(call: Call, tmp_path: Path, words: list[str]) -> None:
    result = drill(call, tmp_path, SHORT, *words)
    assert result.exit_code != 0
    assert "the file says what is played; leave out" in str(result.exception)


def test_mistakes_are_told_before_anything_is_played(call: Call, tmp_path: Path) -> None:
    result = drill(call, tmp_path, SHORT.replace("floor-leak", "floor-leek"))
    assert 'entry[2].fault = "floor-leek"' in str(result.exception)
    assert 'Did you mean "floor-leak"?' in str(result.exception)


def test_the_example_that_ships_can_be_played() -> None:
    settings = load(DEMO)
    known = playable(SimulatedPlant(settings).stage, load_catalogue().failures, ())
    scenario = load_scenario(DEMO.with_name("drill-night.toml"), known, settings.service.time_zone)
    assert {entry.fault or entry.act for entry in scenario.entries} >= {"feeding", "mains-lost"}


@pytest.mark.slow
def test_the_example_that_ships_is_told_in_time(call: Call, parsed: Parse) -> None:
    file = DEMO.with_name("drill-night.toml")
    document = parsed(call("drill", "--scenario", file, "--config", DEMO, "--json"))
    assert document["passed"] is True
    assert [found["verdict"] for found in document["faults"]] == [
        "detected",
        "quiet",
        "quiet",
        "detected",
        "detected",
    ]
    assert document["false_alarms"] == []
