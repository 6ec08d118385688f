"""Odd files to import, odd ranges, a unit that was changed, a file that is damaged."""

import datetime
import os
from collections.abc import Callable
from contextlib import closing
from decimal import Decimal
from pathlib import Path
from typing import Any

import pyarrow
import pytest
from pyarrow import parquet
from support.cli_types import Call, Place
from typer.testing import Result

from weirwatch.domain.errors import ConfigError, PermanentError
from weirwatch.pipeline.parquet import parquet_bytes
from weirwatch.settings import Kept, RetentionSettings
from weirwatch.store.block import HOUR
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_journal import SqliteJournal

Parsed = Callable[[Result], Any]
LEVEL = "harbour-hall/sump-node/level"
NOON = 1_777_636_800_000_000
UTC = pyarrow.timestamp("us", tz="UTC")


def table(tmp_path: Path, **columns: Any) -> Path:
    file = tmp_path / "old.parquet"
    parquet.write_table(pyarrow.table(columns), file)
    return file


def told(call: Call, place: Place, file: Path) -> str:
    done = call("history", "import", file, "--channel", LEVEL, "--config", place.config, "--check")
    return str(done.exception) if isinstance(done.exception, ConfigError) else done.output


def test_times_of_no_time_zone_are_not_guessed(call: Call, place: Place, tmp_path: Path) -> None:
    file = table(tmp_path, time=pyarrow.array([NOON], pyarrow.timestamp("us")), value=[1.0])
    assert "the times of the column 'time' are of no time zone" in told(call, place, file)
    oslo = pyarrow.timestamp("us", tz="Europe/Oslo")
    file = table(tmp_path, time=pyarrow.array([NOON], oslo), value=[1.0])
    assert "1 readings are as they should be" in told(call, place, file)


def test_nanoseconds_are_cut_and_decimals_are_numbers(
    call: Call, place: Place, tmp_path: Path
) -> None:
    nanos = pyarrow.timestamp("ns", tz="UTC")
    file = table(tmp_path, time=pyarrow.array([NOON * 1000 + 7], nanos), value=[Decimal("1.5")])
    assert "1 readings are as they should be" in told(call, place, file)


@pytest.mark.parametrize(
    ("columns", "answer"),
    [
        ({"time": pyarrow.array([2**62], UTC), "value": [1.0]}, "write RFC 3339"),
        ({"time": [datetime.date(2026, 5, 1)], "value": [1.0]}, "neither a text nor a number"),
        ({"time": pyarrow.array([NOON], UTC), "value": [[1.0]]}, "neither a text nor a number"),
        (
            {"time": pyarrow.array([NOON], UTC), "value": [1.0], "reason": [b"x"]},
            "reason b'x' is neither a text nor a number",
        ),
    ],
)
def test_what_no_column_should_hold_is_told_by_line(
    call: Call, place: Place, tmp_path: Path, columns: dict[str, Any], answer: str
) -> None:
    said = told(call, place, table(tmp_path, **columns))
    assert "old.parquet, line 1: " in said
    assert answer in said


def test_of_two_columns_of_one_name_none_is_chosen(
    call: Call, place: Place, tmp_path: Path
) -> None:
    arrays = [pyarrow.array([NOON], UTC), pyarrow.array([1.0]), pyarrow.array([2.0])]
    file = tmp_path / "two.parquet"
    parquet.write_table(pyarrow.table(arrays, names=["time", "value", "value"]), file)
    assert "two columns have the same name" in told(call, place, file)


def test_marks_that_are_no_digits(call: Call, place: Place, tmp_path: Path) -> None:
    csv, lines = tmp_path / "old.csv", tmp_path / "old.jsonl"
    csv.write_text("time,value\n2026-05-01T12:00:00Z,1_000\n")
    assert "value '1_000' is not a number" in told(call, place, csv)
    lines.write_bytes(b'\xef\xbb\xbf{"time": "2026-05-01T12:00:00Z", "value": 1}\n')
    assert "1 readings are as they should be" in told(call, place, lines)
    lines.write_text('{"time": "2026-05-01T12:00:00Z", "value": 1, "reason": ["x"]}\n')
    assert "reason ['x'] is neither" in told(call, place, lines)


def test_a_long_parquet_is_written_in_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("weirwatch.pipeline.parquet._GROUP", 3)
    rows = [{"time": "2026-05-01T12:00:00Z", "value": float(n)} for n in range(7)]
    file = parquet.ParquetFile(pyarrow.BufferReader(parquet_bytes(rows, ("time", "value"))))
    assert file.num_row_groups == 3
    assert file.read().column("value").to_pylist() == [float(n) for n in range(7)]
    empty = parquet_bytes([], ("time", "value"))
    assert parquet.read_table(pyarrow.BufferReader(empty)).num_rows == 0


@pytest.mark.parametrize(
    "words",
    [
        ("--from", "999999999w"),
        ("--to", "999999999w"),
        ("--from", "0001-01-01T00:00:00+14:00"),
        ("--to", "9999-12-31T23:59:59-14:00"),
    ],
)
def test_times_beyond_the_calendar(call: Call, recorded: Place, words: tuple[str, str]) -> None:
    done = call("series", LEVEL, *words, "--config", recorded.config)
    assert isinstance(done.exception, ConfigError)
    assert "is beyond the calendar" in str(done.exception)


def test_the_whole_calendar(call: Call, recorded: Place) -> None:
    words = ("--from", "0001-01-04T00:00:00Z", "--to", "9999-12-29T00:00:00Z", "--points", "1")
    done = call("series", LEVEL, *words, "--config", recorded.config)
    assert done.exit_code == 0, done.output
    done = call("series", LEVEL, "--to", "0001-01-04T00:00:00Z", "--config", recorded.config)
    assert "No reading in this range" in done.output


def test_what_is_stored_is_told_in_its_own_unit(
    call: Call, recorded: Place, parsed: Parsed
) -> None:
    recorded.config.write_text(recorded.config.read_text().replace('"mm"', '"cm"'))
    where = ("--config", recorded.config)
    raw = call("series", LEVEL, "--raw", "--format", "csv", *where)
    assert {line.split(",")[-1] for line in raw.output.splitlines()[1:]} == {"mm"}
    assert parsed(call("series", LEVEL, "--json", *where))["unit"] == "mm"
    assert f"({LEVEL}, mm)" in call("series", LEVEL, *where).output
    found = call("doctor", *where)
    assert found.exit_code == 1
    assert f"unit-changed: {LEVEL}: its history is in 'mm'" in found.output


def test_a_damaged_file_is_a_finding_and_stays_where_it_is(
    call: Call, recorded: Place, tmp_path: Path
) -> None:
    path = recorded.data / FILE_NAME
    content = b"no database" * 1000
    path.write_bytes(content)
    where = ("--config", recorded.config)
    found = call("doctor", *where)
    assert found.exit_code == 1
    assert f"damaged-file: {path}" in found.output
    file = tmp_path / "old.csv"
    file.write_text("time,value\n2026-05-01T12:00:00Z,1\n")
    for words in (("history", "import", file, "--channel", LEVEL), ("token", "add", "x")):
        refused = call(*words, *where)
        assert isinstance(refused.exception, PermanentError)
        assert "Nothing was changed. Start the service" in str(refused.exception)
    assert path.read_bytes() == content
    assert not list(recorded.data.glob("damaged-*"))


def test_a_file_without_anything_is_no_record(call: Call, recorded: Place, tmp_path: Path) -> None:
    (recorded.data / FILE_NAME).write_bytes(b"")
    done = call("backup", tmp_path / "copy.sqlite3", "--config", recorded.config)
    assert isinstance(done.exception, PermanentError)
    assert "is empty: there is nothing of Weirwatch in it" in str(done.exception)


def test_a_copy_takes_no_devices_place(call: Call, recorded: Place, tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    done = call("backup", pipe, "--replace", "--config", recorded.config)
    assert "is no file, and a copy takes no device's place" in str(done.exception)
    assert pipe.is_fifo()


def test_readings_of_hours_that_were_let_go_are_not_called_there(
    call: Call, place: Place, tmp_path: Path, parsed: Parsed
) -> None:
    file = tmp_path / "old.csv"
    file.write_text("time,value\n2026-05-01T12:00:00Z,1\n2026-05-01T12:00:05Z,2\n")
    words = ("history", "import", file, "--channel", LEVEL, "--config", place.config)
    assert "only the summary" not in call(*words).output
    path = place.data / FILE_NAME
    retention = RetentionSettings(Kept(raw_days=2))  # by mistake, and taken back
    with closing(SqliteJournal(path, retention=retention)) as journal:
        now = NOON + 30 * 24 * HOUR
        while journal.maintain(now, 1.0):
            pass
    assert "2 lie in hours of which only the summary is kept" in call(*words, "--check").output
    done = parsed(call(*words, "--json"))
    assert [done[key] for key in ("stored", "already", "only_summary")] == [0, 2, 2]
    assert "2 lie in hours of which only the summary is kept" in call(*words).output
