"""A series in a terminal, as CSV, as JSON lines or as one JSON document."""

import csv
import json as json_module
import sys
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from weirwatch.cli.desk import Desk, print_json
from weirwatch.cli.series import Format
from weirwatch.cli.time_range import parse_time
from weirwatch.cli.words import console, plain_table, time_text, value_text
from weirwatch.config.problems import did_you_mean
from weirwatch.domain.errors import ConfigError, UnknownChannel
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Channel
from weirwatch.pipeline.parquet import MISSING, have_parquet, parquet_bytes
from weirwatch.pipeline.queries import readings_json, series_json
from weirwatch.pipeline.reading_files import COLUMNS

_DEFAULT_SPAN: Micros = 86_400 * SECOND
_PAGE = 5_000
_RAW_HEADER = COLUMNS
_BUCKET_HEADER = ("start", "end", "min", "mean", "max", "count")

Row = Mapping[str, Any]


def print_series(
    desk: Desk,
    channel_id: str,
    start: str | None,
    end: str | None,
    *,
    points: int | None,
    form: Format,
    json: bool,
) -> None:
    """Print the series; `points` None: every reading.

    Raises:
        UnknownChannel: no such channel; names the nearest.
        ConfigError: a time that cannot be read.
    """
    channel = _find(desk, channel_id)
    begins, ends = _range(desk, channel, start, end)
    if points is None:
        head, rows = _readings(desk, channel.id, begins, ends)
    else:
        head = series_json(desk.archive, desk.settings, channel.id, begins, ends, points)
        rows = iter(head["items"])
    if json:
        print_json({**head, "items": list(rows), "next": None})
    elif form is not Format.TABLE:
        _print_rows(channel, rows, form, raw=points is None)
    else:
        _print_table(desk, channel, list(rows), raw=points is None)


def _find(desk: Desk, channel_id: str) -> Channel:
    known = {channel.id: channel for channel in (*desk.archive.channels(), *desk.settings.channels)}
    if channel_id not in known:
        raise UnknownChannel(
            f"{channel_id}: no channel has that id. {did_you_mean(channel_id, known)}"
        )
    return known[channel_id]


def _range(desk: Desk, channel: Channel, start: str | None, end: str | None) -> tuple[int, int]:
    now = desk.now()
    try:
        kept = desk.archive.span(channel.id)
    except KeyError:  # configured, and not a reading yet
        kept = None
    newest = kept[1] + 1 if kept is not None else now  # ranges end before their end
    ends = newest if end is None else parse_time("--to", end, now)
    begins = ends - _DEFAULT_SPAN if start is None else parse_time("--from", start, ends)
    if begins >= ends:
        raise ConfigError(f"--from {start}: is not before the end of the range")
    return begins, ends


def _readings(desk: Desk, channel: str, begins: Micros, ends: Micros) -> tuple[Row, Iterator[Row]]:
    first = readings_json(desk.archive, desk.settings, channel, begins, ends, limit=_PAGE)

    def rows() -> Iterator[Row]:
        page = first
        while True:
            yield from page["items"]
            if page["next"] is None:
                return
            page = readings_json(
                desk.archive,
                desk.settings,
                channel,
                begins,
                ends,
                cursor=page["next"],
                limit=_PAGE,
            )

    return first, rows()


def _print_rows(channel: Channel, rows: Iterator[Row], form: Format, *, raw: bool) -> None:
    header = _RAW_HEADER if raw else _BUCKET_HEADER
    same = {"channel": channel.id, "unit": channel.unit} if raw else {}
    told = ({name: row[name] for name in header} for row in (same | dict(row) for row in rows))
    if form is Format.JSONL:
        for row in told:
            print(json_module.dumps(row, ensure_ascii=False))  # noqa: T201
    elif form is Format.CSV:
        writer = csv.writer(sys.stdout, lineterminator="\n")
        writer.writerow(header)
        for row in told:
            writer.writerow([repr(v) if isinstance(v, float) else v for v in row.values()])
    else:
        if not have_parquet():
            raise ConfigError(MISSING)
        sys.stdout.buffer.write(parquet_bytes(list(told), header))


def _print_table(desk: Desk, channel: Channel, rows: Sequence[Row], *, raw: bool) -> None:
    out = console()
    unit = f", {channel.unit}" if channel.unit else ""
    out.print(f"{channel.label} ({channel.id}{unit})\n")
    if not rows:
        out.print("No reading in this range. (--from and --to choose another)")
        return
    zone = desk.settings.service.time_zone
    states = channel.states if channel.is_switch else None
    if raw:
        table = plain_table("Time", "Value", "Quality", "Why", numbers=("Value",))
        for row in rows:
            value = value_text(row["value"], "", states)
            table.add_row(time_text(row["time"], zone), value, row["quality"], row["reason"])
    else:
        header = ("From", "Min", "Mean", "Max", "Readings")
        table = plain_table(*header, "", numbers=header[1:])
        lowest = min(row["min"] for row in rows)
        highest = max(row["max"] for row in rows)
        for row in rows:
            values = [f"{row[name]:.5g}" for name in ("min", "mean", "max")]
            bar = _bar(row, lowest, highest)
            table.add_row(time_text(row["start"], zone), *values, str(row["count"]), bar)
    out.print(table)


_BAR_CELLS = 16


def _bar(row: Row, lowest: float, highest: float) -> str:
    """Return where the span from min to max lies within the whole table's."""
    scale = (highest - lowest) or 1.0
    first, mean, last = (
        min(_BAR_CELLS - 1, int((row[name] - lowest) / scale * _BAR_CELLS))
        for name in ("min", "mean", "max")
    )
    cells = [" "] * _BAR_CELLS
    cells[first : last + 1] = "─" * (last + 1 - first)
    cells[mean] = "●"
    return "".join(cells)
