"""`weirwatch replay --from-store`, `--set` and `--sweep`: over what the service recorded."""

import json
from typing import Any

import pytest
from support.cli_types import Call, Place

from weirwatch.domain.errors import ConfigError, UnknownRule

# The file has 300, 301, … 359 mm, a minute apart from noon on; sump-high is at 345.
HOUR = ("--from-store", "--from", "2026-05-01T12:00:00Z", "--to", "2026-05-01T13:00:00Z")


@pytest.fixture
def recorded(recorded: Place) -> Place:
    """The file with a level that comes once a minute, as it was recorded."""
    text = recorded.config.read_text()
    recorded.config.write_text(text.replace("expected_every_s = 5", "expected_every_s = 60"))
    return recorded


def events(output: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in output.splitlines()]


def test_the_history_runs_through_the_engine(recorded: Place, call: Call) -> None:
    result = call("replay", *HOUR, "--config", recorded.config, "--data", recorded.data, "--json")
    assert result.exit_code == 0, result.exception
    (raised,) = events(result.output)
    assert raised | {"rule": "sump-high", "time": "2026-05-01T12:45:00Z", "value": 345.0} == raised


def test_nothing_was_silent_before_there_was_a_record(recorded: Place, call: Call) -> None:
    silent = """
[[rule]]
id = "level-silent"
kind = "bad-measurement"
channel = "harbour-hall/sump-node/level"
silent = true
on_delay_s = 60
failure = "probe-silent"
response = "Look at its plug."
"""
    recorded.config.write_text(recorded.config.read_text() + silent)
    args = ("replay", "--from-store", "--to", "2026-05-01T13:30:00Z", "--config", recorded.config)
    found = [e for e in events(call(*args, "--json").output) if e["rule"] == "level-silent"]
    assert [e["time"] for e in found] == ["2026-05-01T13:05:00Z"]  # after the last one, at 13:01


def test_a_channel_of_which_a_file_has_nothing_is_not_silent(recorded: Place, call: Call) -> None:
    level = "harbour-hall/sump-node/level"
    more = """
[[channel]]
id = "harbour-hall/sump-node/other"
quantity = "temperature"
unit = "Cel"
expected_every_s = 60
"""
    for name in ("level", "other"):
        more += f"""
[[rule]]
id = "{name}-silent"
kind = "bad-measurement"
channel = "harbour-hall/sump-node/{name}"
silent = true
on_delay_s = 300
failure = "probe-silent"
response = "Look at its plug."
"""
    recorded.config.write_text(recorded.config.read_text() + more)
    file = recorded.config.with_name("r.csv")
    rows = [f"2026-05-01T{hour}:00:00Z,{level},300" for hour in ("12", "14")]
    file.write_text("\n".join(["time,channel,value", *rows, ""]))
    found = events(call("replay", "--readings", file, "--config", recorded.config, "--json").output)
    assert {event["rule"] for event in found} == {"level-silent"}


def test_a_rule_can_be_changed_for_the_run(recorded: Place, call: Call) -> None:
    before = recorded.config.read_text()
    args = ("replay", *HOUR, "--config", recorded.config, "--json")
    changed = call(*args, "--set", "sump-high.high=350", "--set", "sump-high.on_delay_s = 120")
    (raised,) = events(changed.output)
    assert raised["time"] == "2026-05-01T12:52:00Z"
    assert recorded.config.read_text() == before


def test_a_catalogue_rule_that_leaves_its_id_to_its_failure_can_be_changed(
    recorded: Place, call: Call
) -> None:
    short = """
[[rule]]
from_catalogue = "sump-low"
channel = "harbour-hall/sump-node/level"
low = 100
deadband = 8
"""
    recorded.config.write_text(recorded.config.read_text() + short)
    args = ("replay", *HOUR, "--config", recorded.config, "--json")
    assert "sump-low" not in {event["rule"] for event in events(call(*args).output)}
    result = call(*args, "--set", "sump-low.low=400", "--set", "sump-low.on_delay_s=60")
    assert result.exit_code == 0, result.exception
    assert "sump-low" in {event["rule"] for event in events(result.output)}


def test_a_sweep_of_what_never_showed_proposes_nothing(recorded: Place, call: Call) -> None:
    args = ("replay", *HOUR, "--set", "sump-high.high=900", "--config", recorded.config)
    result = call(*args, "--sweep", "sump-high")
    assert result.exit_code == 0, result.exception
    assert "in 0 episodes, " in result.output
    assert "Nothing is proposed" in result.output
    assert "on_delay_s =" not in result.output


def test_a_sweep_proposes_and_says_what_it_costs(recorded: Place, call: Call) -> None:
    result = call("replay", *HOUR, "--sweep", "sump-high", "--config", recorded.config)
    assert result.exit_code == 0, result.exception
    assert "in 1 episode, " in result.output
    assert "as it is" in result.output
    assert "Deadband   On-delay   Sounds   Chatters   Later   at worst   Missed" in result.output
    data = json.loads(
        call("replay", *HOUR, "--sweep", "sump-high", "--config", recorded.config, "--json").output
    )
    assert data["current"]["deadband"] == 8
    late = {t["on_delay_s"]: t["late_mean_s"] for t in data["tried"] if t["deadband"] == 8}
    assert (late[0], late[60], late[600]) == (0, 60, 600)


DERIVED = """
[[derived]]
id = "hall/sump-node/margin"
formula = "drain-back-margin"
inputs = { level = "hall/sump-node/level" }
constants = { area_m2 = 1.0, rim_l = 420, drain_back_l = 30 }

[[rule]]
id = "margin-small"
kind = "absolute"
channel = "hall/sump-node/margin"
low = 40
deadband = 5
failure = "sump-high"
"""


def test_derived_channels_are_computed_from_what_was_recorded(recorded: Place, call: Call) -> None:
    text = recorded.config.read_text()
    level = next(line for line in text.splitlines() if "level" in line and "id = " in line)
    name = level.split('"')[1]
    recorded.config.write_text(text + DERIVED.replace("hall/sump-node", name.rpartition("/")[0]))
    result = call("replay", *HOUR, "--config", recorded.config, "--json")
    assert result.exit_code == 0, result.exception
    # 420 L to the rim, 30 L to come: 350 L leave 40, and 350 mm stand at 12:50.
    (told,) = [e for e in events(result.output) if e["rule"] == "margin-small"]
    assert (told["time"], told["value"]) == ("2026-05-01T12:50:00Z", 40.0)
    swept = call("replay", *HOUR, "--sweep", "margin-small", "--config", recorded.config, "--json")
    assert json.loads(swept.output)["episodes"] == 1
    file = recorded.config.with_name("r.csv")
    file.write_text(f"time,channel,value\n2026-05-01T12:00:00Z,{name},355\n")
    result = call("replay", "--readings", file, "--config", recorded.config, "--json")
    assert [e["rule"] for e in events(result.output)][-1] == "margin-small"


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ((), "give either --readings FILE.csv or --from-store"),
        (("--from-store", "--readings", "x.csv"), "give either"),
        (("--readings", "x.csv", "--from", "2d"), "--from and --to go with --from-store"),
        (("--from-store", "--until", "2026-05-01T12:00:00Z"), "go with --readings"),
        (("--from-store", "--set", "sump-high"), "write RULE.KEY=VALUE"),
        (("--from-store", "--set", "sump-hihg.high=3"), "no [[rule]] of the file has the id"),
        (("--from-store", "--set", "sump-hihg.high=3"), 'Did you mean "sump-high"?'),
        (("--from-store", "--set", "sump-high.hihg=3"), 'Did you mean "high"?'),
        (("--from-store", "--set", "sump-high.high=tall"), "is not a number"),
        (("--from-store", "--from", "later"), "is not a time"),
    ],
)
def test_wrong_use_is_told(
    recorded: Place, call: Call, options: tuple[str, ...], told: str
) -> None:
    result = call("replay", *options, "--config", recorded.config)
    assert isinstance(result.exception, ConfigError), result.exception
    assert told in str(result.exception)


def test_a_rule_that_is_not_there_cannot_be_swept(recorded: Place, call: Call) -> None:
    result = call("replay", *HOUR, "--sweep", "sump-hihg", "--config", recorded.config)
    assert isinstance(result.exception, UnknownRule)
