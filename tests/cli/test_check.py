"""`weirwatch check`: all mistakes on standard error with code 2; warnings do not fail."""

import json
from pathlib import Path

from support.cli_types import Call, Place, Run

from weirwatch.cli.demo_plant import demo_config


def test_a_right_file_is_code_0_with_its_warnings_on_standard_error(run: Run, place: Place) -> None:
    result = run("check", place.config)
    assert result.returncode == 0
    assert result.stdout == (
        f"{place.config}: 1 system, 3 channels, 2 rules and 8 built-in, 1 recipient. "
        "No mistake, 1 warning.\n"
    )
    assert result.stderr.startswith(f"warning: {place.config}: rule: 38 of 47 failures")


def test_every_mistake_is_told_in_one_run_with_code_2(run: Run, place: Place) -> None:
    text = place.config.read_text().replace("deadband = 8", "dedband = 8")
    place.config.write_text(text.replace('"Cel"', '"Cell"'))
    result = run("check", place.config)
    assert result.returncode == 2
    assert result.stdout == ""
    lines = result.stderr.splitlines()
    assert lines[0].startswith(
        f'{place.config}: channel "harbour-hall/sump-node/unheard": unit = "'
    )
    assert lines[1] == (
        f'{place.config}: rule "sump-high": dedband = 8: is not a known key. '
        'Did you mean "deadband"?'
    )
    assert lines[-1] == f"2 mistakes in {place.config}."


def test_json_has_both_lists_and_the_same_code(call: Call, place: Place) -> None:
    good = call("check", "--json", place.config)
    document = json.loads(good.stdout)
    assert (good.exit_code, document["errors"]) == (0, [])
    assert len(document["warnings"]) == 1
    place.config.write_text("a = ")
    bad = call("check", "--json", place.config)
    document = json.loads(bad.stdout)
    assert bad.exit_code == 2
    assert document["file"] == str(place.config)
    assert "line 1, column 5" in document["errors"][0]


def test_a_plant_that_no_drill_could_play_is_a_doubt(call: Call, tmp_path: Path) -> None:
    text = demo_config().read_text()
    file = tmp_path / "own.toml"
    file.write_text(text.replace("shutoff_head_m = 4.5", "shutoff_head_m = 2.0"))
    weak = call("check", "--json", file)
    document = json.loads(weak.stdout)
    assert (weak.exit_code, document["errors"]) == (0, [])
    assert "pump return: shutoff_head_m 2 must exceed the" in document["warnings"][-1]
    assert document["warnings"][-1].endswith(". Until then there is no drill of this plant.")
    sound = json.loads(call("check", "--json", demo_config()).stdout)
    assert not any("no drill" in warning for warning in sound["warnings"])


def test_the_file_may_come_from_option_environment_or_folder(run: Run, place: Place) -> None:
    for words, folder, env in (
        (["check", "--config", place.config], None, {}),
        (["check"], None, {"WEIRWATCH_CONFIG": str(place.config)}),
        (["check"], place.folder, {}),
    ):
        assert run(*words, cwd=folder, **env).returncode == 0
