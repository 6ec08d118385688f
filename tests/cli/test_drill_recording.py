"""`weirwatch drill --scenario` on recorded readings."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from support.cli_types import Call
from typer.testing import Result

from weirwatch.cli.demo_plant import demo_config
from weirwatch.domain.instant import SECOND, Micros, from_rfc3339, to_rfc3339

DEMO = demo_config()
FLOW, LEVEL = "harbour-hall/sump-node/return-flow", "harbour-hall/power-node/sump-level"
START: Micros = from_rfc3339("2026-05-01T03:00:02.5Z")
Parse = Callable[[Result], Any]
Row = tuple[Micros, str, float, str]


def a_night() -> Iterator[Row]:
    """Half an hour: the flow stands from minute 5 to 20, one level is bad, the sump rises."""
    for n in range(360):
        time, minute = START + 5 * n * SECOND, n / 12
        yield time, FLOW, 0.0 if 5 <= minute < 20 else 6000.0 + n % 3, "good"
        level = 349.0 if 10 <= minute < 12 or minute >= 25 else 300.0 + n % 2
        yield time, LEVEL, level, "bad" if 10 <= minute < 12 else "good"


def written(folder: Path, more: str = "", rows: Iterator[Row] | None = None) -> Path:
    csv = ["time,channel,value,quality"]
    csv += [f"{to_rfc3339(t)},{c},{v},{q}" for t, c, v, q in rows or a_night()]
    (folder / "night.csv").write_text("\n".join(csv) + "\n")
    file = folder / "scenario.toml"
    file.write_text(
        f'[scenario]\nlasts = "30 min"\nreadings = "night.csv"\nothers = "absent"\n{more}'
    )
    return file


def waits_for_none(rule: str) -> bool:
    """Whether a rule does not tell the silence of what the recording lacks."""
    return "silent" not in rule and "dry" not in rule


def test_without_entries_the_rules_sound_as_in_a_replay(
    call: Call, parsed: Parse, tmp_path: Path
) -> None:
    file = written(tmp_path)
    document = parsed(call("drill", "--scenario", file, "--config", DEMO, "--json"))
    sounded = [
        (alarm["time"], alarm["rule"])
        for alarm in document["other_alarms"]
        if waits_for_none(alarm["rule"])
    ]
    replayed = call("replay", "--readings", tmp_path / "night.csv", "--config", DEMO, "--json")
    expected = [
        (event["time"], event["rule"])
        for event in map(json.loads, replayed.stdout.splitlines())
        if event["annunciated"] and waits_for_none(event["rule"])
    ]
    assert sounded == expected
    assert {rule for _, rule in sounded} >= {"return-pump-stopped", "sump-high"}
    assert [rule for _, rule in sounded].count("sump-high") == 1  # the bad readings do not sound
    assert document["starts"] == to_rfc3339(START)
    assert (document["false_alarms"], document["quarantined"]) == ([], 0)
    tape = document["recording"]
    assert (tape["readings"], tape["channels"]) == (720, [FLOW, LEVEL])
    assert "harbour-hall/hall-node/north-level" in tape["absent"]
    assert tape["simulated"] == []


def test_a_probe_that_sticks_hides_the_recorded_stop(
    call: Call, parsed: Parse, tmp_path: Path
) -> None:
    entry = '[[entry]]\nat = "2 min"\nfault = "probe-frozen"\ntarget = "sump-node/return-flow"\n'
    file = written(tmp_path, entry)
    document = parsed(call("drill", "--scenario", file, "--config", DEMO, "--json"))
    (frozen,) = document["faults"]
    assert (frozen["verdict"], frozen["first_alarm"]) == ("detected", "return-flow-frozen")
    assert "return-pump-stopped" not in {alarm["rule"] for alarm in document["other_alarms"]}


def test_readings_move_to_the_scenarios_own_time_and_the_rest_is_simulated(
    call: Call, parsed: Parse, tmp_path: Path
) -> None:
    file = written(tmp_path, 'date = 2026-07-15\ntime_of_day = "12:00"\n')
    file.write_text(file.read_text().replace('others = "absent"', ""))
    result = call("drill", "--scenario", file, "--config", DEMO, "--json")
    document = parsed(result)
    assert document["starts"] == "2026-07-15T10:00:00Z"
    assert "harbour-hall/hall-node/north-level" in document["recording"]["simulated"]
    assert document["recording"]["absent"] == []
    stopped = next(a for a in document["other_alarms"]
                   if a["rule"] == "return-pump-stopped")  # fmt: skip
    assert stopped["at_s"] == pytest.approx(300 + 660, abs=5)


def test_people_read_what_was_recorded_and_what_is_absent(call: Call, tmp_path: Path) -> None:
    said = " ".join(call("drill", "--scenario", written(tmp_path), "--config", DEMO).output.split())
    assert "Recorded: 720 readings of 2 channels." in said
    assert "Absent, and not expected: harbour-hall/sump-node/level, harbour-hall/" in said


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ('[[entry]]\nat = 0\nfault = "floor-leak"\n', 'fault = "floor-leak": moves the water, and'),
        ('[[entry]]\nat = 0\nact = "feeding"\n', 'act = "feeding": moves the water, and this wat'),
        ("every_s = 60\n", "scenario.every_s = 60.0: does not go with readings. Leave it out"),
        ("readings_from = 2026-05-01\n", "scenario.readings_from = 2026-05-01: is no time."),
        (
            "readings_from = 2026-05-01T03:20:00Z\n",
            "night.csv has readings from 2026-05-01T03:00:02.5",
        ),
        (
            '[[entry]]\nat = 0\nfault = "probe-silent"\ntarget = "sump-node/salinity"\n',
            'target = "sump-node/salinity": is no channel that the plant has.',
        ),
    ],
)
def test_what_does_not_go_with_a_recording_is_told(
    call: Call, tmp_path: Path, more: str, said: str
) -> None:
    result = call("drill", "--scenario", written(tmp_path, more), "--config", DEMO)
    assert result.exit_code != 0
    assert said in str(result.exception)


def test_a_recording_of_its_own_keys_and_file(call: Call, tmp_path: Path) -> None:
    file = tmp_path / "scenario.toml"
    file.write_text(
        '[scenario]\nlasts = 60\nothers = "absent"\n[[entry]]\nat = 0\nact = "mains-dip"\n'
    )
    told = str(call("drill", "--scenario", file, "--config", DEMO).exception)
    assert 'scenario.others = "absent": is of recorded readings only.' in told
    file.write_text('[scenario]\nlasts = 60\nreadings = "no.csv"\n')
    told = str(call("drill", "--scenario", file, "--config", DEMO).exception)
    assert 'scenario.readings = "no.csv": there is no such file. Name a CSV file' in told


def test_every_bad_line_of_the_file_is_named(call: Call, tmp_path: Path) -> None:
    file = written(tmp_path)
    with (tmp_path / "night.csv").open("a") as csv:
        csv.write(f"yesterday,{LEVEL},3,\n2026-05-01T04:00:00Z,{LEVEL},wet,\n")
    told = str(call("drill", "--scenario", file, "--config", DEMO).exception)
    assert "line 722: time 'yesterday': write RFC 3339" in told
    assert "line 723: value 'wet' is not a number" in told
