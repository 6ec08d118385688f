"""Files of readings: what a raw export has written, or anybody with the same columns.

CSV with a header, JSON Lines or Parquet; columns `time`, `value`, and any of `channel`, `quality`,
`reason`, `unit`. Without a quality, a value outside the channel's valid range is bad, as it would
be on the wire; with one, it stays what it says.
"""

import csv
import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND, Micros, to_rfc3339
from weirwatch.domain.liveness import judge
from weirwatch.domain.quantity import convert
from weirwatch.domain.reading import Channel, Reading
from weirwatch.pipeline.parquet import parquet_rows
from weirwatch.pipeline.past import LONGEST_REASON
from weirwatch.pipeline.recording import (
    MOST_PROBLEMS,
    parse_number,
    parse_quality,
    parse_switch,
    parse_time,
)

COLUMNS = ("time", "channel", "value", "quality", "reason", "unit")
EARLIEST: Micros = 946_684_800 * SECOND  # 2000: before it, a clock was wrong

Row = Mapping[str, Any]
Numbered = tuple[int, Row | str]  # line or row number from 1; text: what is wrong with the line


@dataclass(frozen=True, slots=True)
class Expected:
    """What the file may hold.

    Attributes:
        channels: those that are configured, by id.
        known: returns the cure for a channel that is not.
        channel: of rows that name none; empty: every row must.
        unit: of rows that name none; None: each channel's own.
        now: nothing may be later.
    """

    channels: Mapping[str, Channel]
    known: Callable[[str], str]
    channel: str
    unit: str | None
    now: Micros


def read_past(path: Path, expected: Expected) -> Iterator[Reading]:
    """Yield the readings of a file.

    Raises:
        ConfigError: at its end, with every bad line (fifty at most), its number and the cure.
    """
    problems: list[str] = []
    for number, row in _numbered(path):
        try:
            if isinstance(row, str):
                raise ValueError(row)  # noqa: TRY004, TRY301 - one way to collect them
            yield _reading(row, expected)
        except ValueError as trouble:
            problems.append(f"{path}, line {number}: {trouble}")
        if len(problems) >= MOST_PROBLEMS:
            problems.append(f"{path}: more lines may be wrong; these are the first")
            break
    if problems:
        raise ConfigError(problems)


def _reading(row: Row, expected: Expected) -> Reading:
    unknown = [name for name in row if name not in COLUMNS]
    if unknown:
        raise ValueError(f"unknown column {unknown[0]!r}: there are {', '.join(COLUMNS)}")
    channel = _channel(row, expected)
    time = parse_time(_text(row, "time"))
    if time > expected.now:
        raise ValueError(f"time {to_rfc3339(time)} is in the future: correct it")
    if time < EARLIEST:
        raise ValueError(f"time {to_rfc3339(time)} is before 2000: correct it, or leave it out")
    value = _value(row, channel, expected)
    reason = _text(row, "reason")
    if len(reason) > LONGEST_REASON:
        raise ValueError(f"reason has more than {LONGEST_REASON} characters: shorten it")
    reading = Reading(channel.id, time, value, parse_quality(_text(row, "quality")), reason)
    return reading if _text(row, "quality") else judge(channel, reading)


def _channel(row: Row, expected: Expected) -> Channel:
    name = _text(row, "channel").strip() or expected.channel
    if not name:
        raise ValueError("channel is missing: add the column, or name it with --channel")
    if name not in expected.channels:
        raise ValueError(f"channel {name!r} is not configured. {expected.known(name)}")
    return expected.channels[name]


def _value(row: Row, channel: Channel, expected: Expected) -> float:
    text = _text(row, "value").strip()
    if not text:
        raise ValueError("value is missing")
    value = parse_switch(text) if channel.is_switch else parse_number("value", text)
    unit = _text(row, "unit").strip() or expected.unit
    if unit is None or unit == channel.unit:
        return value
    try:
        return convert(value, unit, channel.unit)
    except ValueError as trouble:
        raise ValueError(f"{trouble}; channel {channel.id} is in {channel.unit!r}") from trouble


def _text(row: Row, name: str) -> str:
    value = row.get(name)
    if value is None:
        return ""
    if isinstance(value, int | float):
        return repr(value)  # every bit of a number
    if not isinstance(value, str | Decimal):
        raise ValueError(f"{name} {value!r} is neither a text nor a number")  # noqa: TRY004
    return str(value)


def _numbered(path: Path) -> Iterator[Numbered]:
    kind = path.suffix.lower()
    if not path.is_file():
        raise ConfigError(f"{path} cannot be read: No such file")
    if kind == ".parquet":
        return _from_parquet(path)
    if kind == ".csv":
        return _from_csv(path)
    if kind in (".jsonl", ".ndjson"):
        return _from_jsonl(path)
    raise ConfigError(f"{path}: name it .csv, .jsonl or .parquet, as what it is")


def _from_csv(path: Path) -> Iterator[Numbered]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            reader = csv.DictReader(stream, restkey="", strict=True)
            _check_header(path, reader.fieldnames or ())
            for row in reader:
                wrong = "" in row or None in row.values()
                yield reader.line_num, "has more or fewer fields than line 1" if wrong else row
    except (csv.Error, UnicodeDecodeError) as error:
        raise ConfigError(f"{path} is not CSV in UTF-8: {error}") from error


def _check_header(path: Path, header: Any) -> None:
    unknown = [name for name in header if name not in COLUMNS]
    if {"min", "max", "count"} <= set(header):
        raise ConfigError(f"{path}, line 1: these are buckets of a series: export with --raw")
    if unknown or "time" not in header or "value" not in header or len(set(header)) < len(header):
        raise ConfigError(
            f"{path}, line 1: header {','.join(header)!r}: write time,value and any of"
            " channel, quality, reason, unit"
        )


def _from_jsonl(path: Path) -> Iterator[Numbered]:
    try:
        with path.open(encoding="utf-8-sig") as stream:
            for number, line in enumerate(stream, 1):
                if line.strip():
                    yield number, _object(line)
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path} is not UTF-8: {error}") from error


def _object(line: str) -> Row | str:
    try:
        found = json.loads(line)
    except (ValueError, RecursionError) as error:
        return f"is not JSON: {error}"
    return found if isinstance(found, dict) else "is not a JSON object"


def _from_parquet(path: Path) -> Iterator[Numbered]:
    return enumerate(parquet_rows(path), 1)
