"""`weirwatch series`: the history of a channel in every format."""

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.cli_types import Call, Place
from typer.testing import Result

LEVEL = "harbour-hall/sump-node/level"
Parsed = Callable[[Result], Any]


def rows(result: Result) -> list[dict[str, str]]:
    assert result.exit_code == 0, result.output
    return list(csv.DictReader(io.StringIO(result.stdout)))


def test_the_last_day_up_to_the_newest_reading_is_the_default(
    call: Call, recorded: Place, parsed: Parsed
) -> None:
    document = parsed(call("series", LEVEL, "--config", recorded.config, "--json"))
    assert document["channel"] == LEVEL
    assert document["unit"] == "mm"
    assert document["to"] == "2026-05-01T13:01:00.000001Z"
    assert document["from"] == "2026-04-30T13:01:00.000001Z"
    assert sum(item["count"] for item in document["items"]) == 60  # the bad one is not counted


def test_points_bound_the_rows_and_keep_minimum_mean_and_maximum(
    call: Call, recorded: Place
) -> None:
    found = rows(
        call(
            *("series", LEVEL, "--config", recorded.config, "--format", "csv", "--points", "2"),
            *("--from", "2026-05-01T12:00:00Z", "--to", "2026-05-01T13:00:00Z"),
        )
    )
    assert [(r["min"], r["mean"], r["max"], r["count"]) for r in found] == [
        ("300.0", "314.5", "329.0", "30"),
        ("330.0", "344.5", "359.0", "30"),
    ]
    assert found[0]["end"] == found[1]["start"] == "2026-05-01T12:30:00Z"
    assert [(r["first"], r["last"]) for r in found] == [("300.0", "329.0"), ("330.0", "359.0")]
    assert "channel" not in found[0]


SUMP_AND_MAINS = (LEVEL, "harbour-hall/power-node/mains")


def test_several_channels_stand_one_after_the_other_on_one_grid(
    call: Call, recorded: Place, parsed: Parsed
) -> None:
    words = ("series", *SUMP_AND_MAINS, LEVEL, "--config", recorded.config, "--points", "4")
    hour = ("--from", "2026-05-01T12:00:00Z", "--to", "2026-05-01T13:00:00Z")
    document = parsed(call(*words, *hour, "--weighted", "--json"))
    assert [one["channel"] for one in document["items"]] == list(SUMP_AND_MAINS)
    level = document["items"][0]["items"]
    # By hand: a reading a minute, each of them stands for 15 s (thrice expected_every_s).
    assert [item["time_mean"] for item in level] == [307.0, 322.0, 337.0, 352.0]
    found = rows(call(*words, *hour, "--weighted", "--format", "csv"))
    flat = [
        (one["channel"], one["unit"], item["start"])
        for one in document["items"]
        for item in one["items"]
    ]
    assert [(row["channel"], row["unit"], row["start"]) for row in found] == flat
    assert {row["channel"] for row in found} == set(SUMP_AND_MAINS)
    table = call(*words, *hour, "--weighted")
    assert max(len(line) for line in table.output.splitlines()) <= 80
    assert [line for line in table.output.splitlines() if line.startswith(("Sump", "Mains"))] == [
        f"Sump level ({LEVEL}, mm)",
        "Mains (harbour-hall/power-node/mains)",
    ]
    assert "Over time" in table.output


def test_raw_readings_of_several_channels_come_channel_by_channel(
    call: Call, recorded: Place, parsed: Parsed
) -> None:
    words = ("series", *SUMP_AND_MAINS, "--config", recorded.config, "--raw")
    found = rows(call(*words, "--format", "csv"))
    names = [row["channel"] for row in found]
    assert names == [LEVEL] * 61 + [SUMP_AND_MAINS[1]] * (len(names) - 61)
    assert len(names) > 61
    document = parsed(call(*words, "--json"))
    assert sum(len(one["items"]) for one in document["items"]) == len(names)


def test_raw_csv_is_what_replay_reads(call: Call, recorded: Place, tmp_path: Path) -> None:
    result = call(
        "series", LEVEL, "--config", recorded.config, "--raw", "--format", "csv", "--from", "2h"
    )
    found = rows(result)
    assert len(found) == 61
    assert found[0] == {
        "time": "2026-05-01T12:00:00Z",
        "channel": LEVEL,
        "value": "300.0",
        "quality": "good",
        "reason": "",
        "unit": "mm",
    }
    assert found[-1]["quality"] == "bad"
    readings = tmp_path / "readings.csv"
    readings.write_text(result.stdout)
    replayed = call("replay", "--config", recorded.config, "--readings", readings, "--json")
    assert replayed.exit_code == 0, replayed.output
    first = json.loads(replayed.stdout.splitlines()[0])
    assert (first["rule"], first["time"]) == ("sump-high", "2026-05-01T12:45:00Z")


def test_json_lines_are_one_object_each(call: Call, recorded: Place) -> None:
    result = call(
        "series", LEVEL, "--config", recorded.config, "--raw", "--format", "jsonl", "--from", "10m"
    )
    objects = [json.loads(line) for line in result.stdout.splitlines()]
    assert [item["value"] for item in objects][-1] == 999.0
    assert objects[-1]["reason"] == "outside valid range"


def test_raw_reads_over_page_ends(
    call: Call, recorded: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    import weirwatch.cli.series_view as view

    monkeypatch.setattr(view, "_PAGE", 7)
    found = rows(call("series", LEVEL, "--config", recorded.config, "--raw", "--format", "csv"))
    assert [row["value"] for row in found[:60]] == [repr(300.0 + n) for n in range(60)]


def test_the_table_fits_80_columns_in_the_keepers_time(call: Call, recorded: Place) -> None:
    result = call("series", LEVEL, "--config", recorded.config, "--from", "1h", "--points", "5")
    assert result.output.startswith(f"Sump level ({LEVEL}, mm)\n")
    assert "2026-05-01 14:" in result.output  # Europe/Oslo, in summer
    assert max(len(line) for line in result.output.splitlines()) <= 80
    raw = call("series", LEVEL, "--config", recorded.config, "--raw", "--from", "5m")
    assert "outside valid range" in raw.output
    switch = call("series", "harbour-hall/power-node/mains", "--config", recorded.config, "--raw")
    assert " there " in switch.output


def test_a_channel_without_readings_says_so(call: Call, recorded: Place, parsed: Parsed) -> None:
    words = ("series", "harbour-hall/sump-node/unheard", "--config", recorded.config)
    result = call(*words)
    assert result.exit_code == 0
    assert "No reading in this range." in result.output
    assert parsed(call(*words, "--json"))["items"] == []
    assert (
        call(*words, "--raw", "--format", "csv").stdout
        == "time,channel,value,quality,reason,unit\n"
    )


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["harbour-hall/sump-node/levl"], 'Did you mean "harbour-hall/sump-node/level"?'),
        ([LEVEL, "harbour-hall/sump-node/levl"], 'Did you mean "harbour-hall/sump-node/level"?'),
        ([LEVEL, "--raw", "--weighted"], "--weighted: leave it out with --raw"),
        ([LEVEL, "--from", "yesterday"], "--from yesterday: is not a time. Write 2026-"),
        ([LEVEL, "--from", "2026-05-01T12:00:00"], "is not a time"),
        ([LEVEL, "--to", "2026-13-01T00:00:00Z"], "--to 2026-13-01T00:00:00Z: is not a time"),
        (
            [LEVEL, "--from", "2026-05-02T00:00:00Z", "--to", "2026-05-01T00:00:00Z"],
            "--from 2026-05-02T00:00:00Z: is not before the end of the range",
        ),
    ],
)
def test_wrong_use_is_told(call: Call, recorded: Place, words: list[str], told: str) -> None:
    result = call("series", *words, "--config", recorded.config)
    assert result.exit_code == 1  # the exception's; `main` makes it 2
    assert told in str(result.exception)


def test_without_a_file_the_cure_is_told(call: Call, place: Place) -> None:
    result = call("series", LEVEL, "--config", place.config)
    assert "no data yet; start the service once" in str(result.exception)
