"""`weirwatch drill` on the demo's plant, and that it says so when a rule is broken."""

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.cli_types import Call
from typer.testing import Result

from weirwatch.cli.demo_plant import demo_config
from weirwatch.cli.drill_plant import SimulatedPlant
from weirwatch.cli.drill_run import Job, run_all
from weirwatch.cli.drill_view import Bill, short
from weirwatch.config import load
from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.errors import ConfigError

DEMO = demo_config()
Edit = Callable[[str], str]


def edited(folder: Path, edit: Edit) -> Path:
    """Return the demo's configuration with one edit, which must change something."""
    text = DEMO.read_text()
    changed = edit(text)
    assert changed != text
    file = folder / "edited.toml"
    file.write_text(changed)
    return file


def of_rule(rule: str, old: str, new: str) -> Edit:
    """Replace something within one rule."""

    def edit(text: str) -> str:
        start = text.index(f'id = "{rule}"')
        end = text.index("[[rule]]", start)
        return text[:start] + text[start:end].replace(old, new) + text[end:]

    return edit


def without(rule: str) -> Edit:
    """Delete one rule."""

    def edit(text: str) -> str:
        start = text.rindex("[[rule]]", 0, text.index(f'id = "{rule}"'))
        return text[:start] + text[text.index("[[rule]]", start + 1) :]

    return edit


def drill(call: Call, config: Path, *words: str) -> Result:
    return call("drill", *words, "--jobs", "1", "--config", config)


def test_a_failure_that_is_told_in_time_is_exit_code_0(call: Call) -> None:
    result = drill(call, DEMO, "overflow-blocked")
    assert result.exit_code == 0, result.output
    assert "overflow-blocked" in result.output
    assert "told after 45 s by “North display above its weir”" in " ".join(result.output.split())
    assert all(len(line) <= 80 for line in result.output.splitlines())


def test_a_limit_raised_beyond_the_rim_is_missed_and_says_so(call: Call, tmp_path: Path) -> None:
    config = edited(tmp_path, of_rule("overflow-blocked-north", "high = 1182", "high = 1220"))
    result = drill(call, config, "overflow-blocked")
    assert result.exit_code == 1
    said = " ".join(result.output.split())
    assert "MISSED" in said
    assert "There is a rule for it (overflow-blocked-north," in said


def test_a_delay_that_is_too_long_is_late_and_says_so(call: Call, tmp_path: Path) -> None:
    config = edited(tmp_path, of_rule("floor-leak", "on_delay_s = 5", "on_delay_s = 120"))
    result = drill(call, config, "floor-leak")
    assert result.exit_code == 1
    said = " ".join(result.output.split())
    assert "“Water on the floor” sounds 1 min 5 s after harm has begun" in said


def test_a_deleted_rule_is_missed_and_its_usual_form_is_suggested(
    call: Call, tmp_path: Path
) -> None:
    result = drill(call, edited(tmp_path, without("floor-leak")), "floor-leak", "--json")
    assert result.exit_code == 1
    (failure,) = json.loads(result.stdout)["failures"]
    assert failure["verdict"] == "missed"
    assert 'No rule has failure = "floor-leak"' in failure["sentence"]
    assert "closed while it is dry" in failure["sentence"]


def test_what_sounds_just_so_without_the_failure_has_told_nothing(
    call: Call, tmp_path: Path
) -> None:
    """A limit above the usual flow: its half an hour is over as the skimmer's pump stops."""
    config = edited(tmp_path, of_rule("skimmer-flow-lost", "low = 900", "low = 3900"))
    result = drill(call, config, "skimmer-flow-lost", "--json")
    assert result.exit_code == 1
    (failure,) = json.loads(result.stdout)["failures"]
    assert (failure["verdict"], failure["time_to_detect_s"]["median"]) == ("missed", None)
    assert failure["runs"][0]["false_alarms"] == ["skimmer-flow-lost"]
    assert "sounds without it too: its limit lies within ordinary life" in failure["sentence"]


def test_a_limit_on_the_wrong_side_is_no_detection_and_is_named(call: Call, tmp_path: Path) -> None:
    config = edited(tmp_path, of_rule("return-pump-stopped", "low = 1500", "high = 1500"))
    result = drill(call, config, "return-pump-stopped", "--json")
    assert result.exit_code == 1
    (failure,) = json.loads(result.stdout)["failures"]
    assert "or on the wrong side." in failure["sentence"]


def test_a_rule_that_its_cause_keeps_quiet_is_missed_and_names_the_cause(
    call: Call, tmp_path: Path
) -> None:
    always = """

[[rule]]
id = "room-is-there"
title = "The room has a temperature"
kind = "absolute"
channel = "harbour-hall/power-node/room-temperature"
high = 1
failure = "room-too-hot"
"""
    config = edited(
        tmp_path,
        lambda text: (
            of_rule(
                "return-pump-stopped", "suppressed_by = [", 'suppressed_by = ["room-is-there", '
            )(text)
            + always
        ),
    )
    result = drill(call, config, "return-pump-stopped", "--json")
    assert result.exit_code == 1
    (failure,) = json.loads(result.stdout)["failures"]
    assert failure["runs"][0]["raised_not_announced"] == ["return-pump-stopped"]
    assert "was raised and kept quiet by its suppressed_by: room-is-there" in failure["sentence"]


def test_a_rule_whose_while_does_not_hold_is_missed_and_says_so(call: Call, tmp_path: Path) -> None:
    never = 'while = [{ channel = "harbour-hall/power-node/mains", is = false }]\n'
    config = edited(tmp_path, of_rule("return-pump-stopped", "low = 1500", f"{never}low = 1500"))
    result = drill(call, config, "return-pump-stopped", "--json")
    assert result.exit_code == 1
    (failure,) = json.loads(result.stdout)["failures"]
    assert "See whether its while holds then." in failure["sentence"]


def test_a_rule_on_what_nothing_feeds_is_called_unproved_and_not_wrong(
    call: Call, tmp_path: Path
) -> None:
    config = edited(
        tmp_path, lambda text: text.replace("power-node/floor-dry", "power-node/moisture")
    )
    result = drill(call, config, "floor-leak", "--json")
    assert result.exit_code == 1
    (failure,) = json.loads(result.stdout)["failures"]
    assert (
        "which this drill cannot prove: harbour-hall/power-node/moisture has no"
        in (failure["sentence"])
    )


def test_what_other_rules_tell_is_not_said_to_be_told_to_nobody(call: Call, tmp_path: Path) -> None:
    config = edited(
        tmp_path,
        lambda text: re.sub(', "circuit-lost"', "", without("circuit-lost")(text)),
    )
    result = drill(call, config, "circuit-lost", "--json")
    assert result.exit_code == 1
    (failure,) = json.loads(result.stdout)["failures"]
    assert "no rule for it sounds within 8 h, only “" in failure["sentence"]
    assert "nobody is told" not in failure["sentence"]


def test_json_has_every_column(call: Call, parsed: Callable[[Result], Any]) -> None:
    document = parsed(drill(call, DEMO, "floor-leak", "--runs", "2", "--json"))
    assert document["passed"] is True
    (failure,) = document["failures"]
    nominal, random = failure["runs"]
    assert nominal["detected_s"] == 15.0
    assert nominal["harm_s"] == 65.0
    assert nominal["margin_s"] == 50.0
    assert nominal["first_alarm"] == "floor-leak"
    assert nominal["harm_source"] == "common practice, no source"
    assert (nominal["false_alarms"], nominal["quarantined"]) == ([], 0)
    assert nominal["notices"] >= 1
    assert random["played"] != nominal["played"]
    assert failure["time_to_detect_s"]["longest"] >= failure["time_to_detect_s"]["median"]


def test_the_report_is_one_file_with_plots_and_nothing_fetched(call: Call, tmp_path: Path) -> None:
    report = tmp_path / "drill.html"
    result = drill(call, DEMO, "overflow-blocked", "sump-high", "--report", str(report))
    assert result.exit_code == 0, result.output
    page = report.read_text()
    assert page.count("<svg") >= 2
    for word in ("limit 1182", ">told<", ">harm<", ">failure<", "common practice, no source"):
        assert word in page
    for foreign in ("http://", "https://", "<script", "src="):
        assert foreign not in page


def test_what_is_late_has_no_margin_in_the_report(call: Call, tmp_path: Path) -> None:
    config = edited(tmp_path, of_rule("floor-leak", "on_delay_s = 5", "on_delay_s = 120"))
    report = tmp_path / "drill.html"
    drill(call, config, "floor-leak", "--report", str(report))
    assert "late<td>2 min 10 s<td>1 min 5 s<td>–<td>floor-leak" in report.read_text()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            ["overflow-blockt"],
            "'overflow-blockt' is not in the catalogue: did you mean 'overflow-blocked'?",
        ),
        (["chiller-failed"], "chiller-failed: cannot be played: the plant has no chiller"),
        (["disk-full"], "disk-full: cannot be played"),
        (["normal", "floor-leak"], "drill normal: give it alone"),
        (["normal", "--report", "x.html"], "there is nothing to plot"),
    ],
)
def test_wrong_use_is_told_before_anything_is_played(
    call: Call, words: list[str], said: str
) -> None:
    result = drill(call, DEMO, *words)
    assert result.exit_code != 0
    assert said in str(result.exception)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("shutoff_head_m = 4.5", "shutoff_head_m = 2.0", "shutoff_head_m 2 must exceed the"),
        ("height_m = 1.21", "height_m = 1.16", "stand 9 mm above its crest of 0.44 m"),
        ("set_level_mm = 300", "set_level_mm = 425", "the sump's rim at 420 mm"),
        ('without = ["', 'without = ["floor-leak", "', "[plant] without says that it does not"),
    ],
)
def test_a_plant_or_failure_that_cannot_be_played_is_refused_with_the_reason(
    call: Call, tmp_path: Path, old: str, new: str, said: str
) -> None:
    config = edited(tmp_path, lambda text: text.replace(old, new))
    result = drill(call, config, "floor-leak")
    assert isinstance(result.exception, ConfigError)
    assert said in str(result.exception)


def test_what_the_plant_is_said_to_be_without_is_listed_and_not_played(tmp_path: Path) -> None:
    config = edited(
        tmp_path, lambda text: text.replace('without = ["', 'without = ["light-stuck", "')
    )
    bill = Bill.of(load(config), load_catalogue(), ["all"])
    assert "light-stuck" not in bill.played
    assert bill.not_played["light-stuck"] == "[plant] without says that it does not happen here"
    assert bill.not_played["chiller-failed"] == "the plant has no chiller"


def test_a_configuration_without_a_plant_is_told_what_is_missing(
    call: Call, tmp_path: Path
) -> None:
    config = tmp_path / "starter.toml"  # the smallest one, without a plant
    config.write_bytes(DEMO.with_name("starter.toml").read_bytes())
    result = drill(call, config, "floor-leak")
    assert "a drill needs a [plant] section" in str(result.exception)


@pytest.mark.slow
def test_a_feeding_pause_that_sounds_makes_ordinary_life_fail(call: Call, tmp_path: Path) -> None:
    cause = of_rule("circuit-lost", "on_delay_s = 630", "on_delay_s = 300")
    pump = of_rule("return-pump-stopped", "on_delay_s = 660", "on_delay_s = 310")
    config = edited(tmp_path, lambda text: pump(cause(text)))
    result = drill(call, config, "normal", "--days", "0.4", "--json")
    assert result.exit_code == 1, result.output
    (run,) = json.loads(result.stdout)["normal"]
    assert {alarm["rule"] for alarm in run["false_alarms"]} == {"return-pump-stopped"}
    assert run["quarantined"] == 0


@pytest.mark.slow
def test_ordinary_life_on_the_demos_own_rules_is_quiet(call: Call) -> None:
    result = drill(call, DEMO, "normal", "--days", "0.4")
    assert result.exit_code == 0, result.output
    assert "no alarm" in result.output


def test_plays_on_two_cores_give_what_they_give_on_one() -> None:
    settings = load(DEMO)
    jobs = [Job("floor-leak", run, 3) for run in range(2)]
    assert dict(run_all(settings, jobs, 2)) == dict(run_all(settings, jobs, 1))


def test_day_and_drift_are_all_and_share_nothing() -> None:
    settings, catalogue = load(DEMO), load_catalogue()
    all_, day, drift = (Bill.of(settings, catalogue, [name]) for name in ("all", "day", "drift"))
    assert sorted(day.played + drift.played) == sorted(all_.played)
    assert {"floor-leak", "sump-low", "battery-low"} <= set(day.played)
    assert {"top-off-stuck-off", "salinity-drift", "reservoir-empty"} <= set(drift.played)
    both = Bill.of(settings, catalogue, ["floor-leak", "drift", "floor-leak"])
    assert both.played == ("floor-leak", *drift.played)
    assert all_.not_played
    assert not day.not_played


def test_how_many_moments_a_play_has_at_most_decides_which_begins_first() -> None:
    plant = SimulatedPlant(load(DEMO))
    lengths = {failure: plant.moments_at_most(failure, 0, 1) for failure in plant.can_play()}
    assert lengths["floor-leak"] == (1800.0 + 2 * 3600.0) / 5.0  # half an hour well, then 2 h
    assert max(lengths, key=lambda failure: lengths[failure]) == "top-off-stuck-off"


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(None, "–"), (45.0, "45 s"), (75.0, "1.2 min"), (9_720.0, "2.7 h"), (190_080.0, "2.2 d")],
)
def test_a_table_has_room_for_one_unit(seconds: float | None, said: str) -> None:
    assert short(seconds) == said
