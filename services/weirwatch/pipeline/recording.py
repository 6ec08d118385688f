"""Recorded readings and commands as CSV: parsed whole, every bad line named."""

import csv
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TextIO, TypeVar

from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import Micros, from_rfc3339, to_rfc3339
from weirwatch.domain.operator import COMMANDS, Command
from weirwatch.domain.reading import Channel, Quality, Reading

T = TypeVar("T")
_MORE = ("quality", "reason", "unit")

MOST_PROBLEMS = 50
_SWITCH = {"true": 1.0, "false": 0.0, "1": 1.0, "0": 0.0, "1.0": 1.0, "0.0": 0.0}


def read_readings(path: Path, channels: Mapping[str, Channel]) -> list[Reading]:
    """Return the readings of a file, as `each_reading`."""
    return list(each_reading(path, channels))


def each_reading(path: Path, channels: Mapping[str, Channel]) -> Iterator[Reading]:
    """Yield the readings of a file with the header `time,channel,value[,quality]`.

    An export's further columns may stand there; quality is what counts.

    Raises:
        ConfigError: at its end, every bad line, with file, line, value and cure.
    """

    def parse(row: Mapping[str, str]) -> Reading:
        channel = channels.get(row["channel"].strip())
        if channel is None:
            raise ValueError(f"channel {row['channel'].strip()!r} is not configured")
        value = (
            parse_switch(row["value"]) if channel.is_switch else parse_number("value", row["value"])
        )
        return Reading(
            channel.id, parse_time(row["time"]), value, parse_quality(row.get("quality") or "")
        )

    yield from _rows(path, ("time", "channel", "value"), _MORE, parse)


def read_commands(path: Path) -> list[tuple[Micros, Command]]:
    """Return the commands of a file with the header `time,command,rule,minutes,comment`.

    Raises:
        ConfigError: every bad line, with file, line, value and cure.
    """

    def parse(row: Mapping[str, str]) -> tuple[Micros, Command]:
        name = row["command"].strip()
        if name not in COMMANDS:
            raise ValueError(f"command {name!r} is unknown: use one of {', '.join(COMMANDS)}")
        minutes = (row.get("minutes") or "").strip()
        command = Command(
            name=name,
            rule=row["rule"].strip(),
            who="replay",
            comment=row.get("comment") or "",
            minutes=parse_number("minutes", minutes) if minutes else None,
        )
        return parse_time(row["time"]), command

    return list(_rows(path, ("time", "command", "rule"), ("minutes", "comment"), parse))


def _rows(
    path: Path,
    needed: tuple[str, ...],
    optional: tuple[str, ...],
    parse: Callable[[Mapping[str, str]], T],
) -> Iterator[T]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            yield from _parsed(path, stream, needed, optional, parse)
    except OSError as trouble:
        raise ConfigError(f"{path} cannot be read: {trouble.strerror}") from trouble
    except UnicodeDecodeError as trouble:
        raise ConfigError(f"{path} cannot be read: {trouble}") from trouble


def _parsed(
    path: Path,
    stream: TextIO,
    needed: tuple[str, ...],
    optional: tuple[str, ...],
    parse: Callable[[Mapping[str, str]], T],
) -> Iterator[T]:
    problems: list[str] = []
    reader = csv.DictReader(stream, restkey="", strict=True)
    try:
        _check_header(path, reader.fieldnames or (), needed, optional)
        for row in reader:
            try:
                yield parse(_complete(row, needed))
            except ValueError as trouble:
                problems.append(f"{path}, line {reader.line_num}: {trouble}")
            if len(problems) >= MOST_PROBLEMS:
                problems.append(f"{path}: more lines may be wrong; these are the first")
                break
    except csv.Error as trouble:
        problems.append(f"{path}, line {reader.reader.line_num}: not CSV: {trouble}")
    if problems:
        raise ConfigError(problems)


def _check_header(
    path: Path, header: Sequence[str], needed: tuple[str, ...], optional: tuple[str, ...]
) -> None:
    missing = [name for name in needed if name not in header]
    unknown = [name for name in header if name not in needed + optional]
    if missing or unknown or len(set(header)) < len(header):
        wanted = ",".join(needed) + "".join(f"[,{name}]" for name in optional)
        raise ConfigError(f"{path}, line 1: header {','.join(header)!r}: write {wanted}")


def _complete(row: Mapping[str, str | None], needed: tuple[str, ...]) -> Mapping[str, str]:
    if "" in row:
        raise ValueError("more values than the header has columns")
    for name in needed:
        if not (row.get(name) or "").strip():
            raise ValueError(f"{name} is missing")
    return {name: value or "" for name, value in row.items()}


def parse_time(text: str) -> Micros:
    """Return the time; `ValueError` with the cure when it is none."""
    try:
        time = from_rfc3339(text.strip())
        to_rfc3339(time)  # an offset may reach beyond the years that can be written
    except (ValueError, OverflowError) as trouble:
        raise ValueError(
            f"time {text!r}: write RFC 3339 with Z, as 2026-05-01T12:00:00Z"
        ) from trouble
    return time


def parse_switch(text: str) -> float:
    """Return 0 or 1; `ValueError` with the cure when it is neither."""
    word = text.strip().lower()
    if word not in _SWITCH:
        raise ValueError(f"value {text!r}: a switch is 0 or 1, false or true")
    return _SWITCH[word]


def parse_number(name: str, text: str) -> float:
    """Return a finite number; `ValueError` when it is none."""
    try:
        number = float(text.replace("_", "no digit"))  # Python's own source may have 1_000
    except ValueError as trouble:
        raise ValueError(f"{name} {text!r} is not a number") from trouble
    if not math.isfinite(number):
        raise ValueError(f"{name} {text!r} is not finite")
    return number


def parse_quality(text: str) -> Quality:
    """Return the quality of a word, good without one; `ValueError` with the cure."""
    word = text.strip().lower() or "good"
    for quality in Quality:
        if quality.word == word:
            return quality
    raise ValueError(f"quality {text!r}: write good, uncertain or bad")
