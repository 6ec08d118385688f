"""Series in a terminal, as CSV, as JSON lines or as one JSON document."""

import csv
import json as json_module
import sys
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from weirwatch.cli.desk import Desk, print_json
from weirwatch.cli.series import Format
from weirwatch.cli.time_range import parse_time, time_range
from weirwatch.cli.words import console, plain_table, time_text, value_text
from weirwatch.config.problems import did_you_mean
from weirwatch.domain.errors import ConfigError, UnknownChannel
from weirwatch.domain.instant import SECOND, Micros, to_rfc3339
from weirwatch.domain.reading import Channel
from weirwatch.pipeline.parquet import MISSING, have_parquet, write_parquet
from weirwatch.pipeline.queries import (
    known_channels,
    readings_json,
    series_json,
    series_of_one,
)
from weirwatch.pipeline.reading_files import COLUMNS
from weirwatch.pipeline.shapes import Json, bucket_columns

_DEFAULT_SPAN: Micros = 86_400 * SECOND
_PAGE = 5_000

Row = Mapping[str, Any]


def print_series(
    desk: Desk,
    channel_ids: Sequence[str],
    span: tuple[str | None, str | None],
    *,
    points: int | None,
    weighted: bool,
    form: Format,
    json: bool,
) -> None:
    """Print the series of channels, one after the other; `points` None: every reading.

    Raises:
        UnknownChannel: no such channel; names the nearest.
        ConfigError: a time that cannot be read.
    """
    channels = _find(desk, channel_ids)
    begins, ends = _range(desk, channels, *span)
    if points is None:
        found = [(channel, _readings(desk, channel.id, begins, ends)) for channel in channels]
    else:
        answer = series_json(
            desk.archive, desk.settings, channel_ids, begins, ends, points, weighted=weighted
        )
        parts = zip(channels, answer["items"], strict=True)
        found = [(channel, iter(part["items"])) for channel, part in parts]
    if json:
        print_json(_document(found, begins, ends))
    elif form is not Format.TABLE:
        buckets = bucket_columns(weighted=weighted)
        several = ("channel", *buckets, "unit") if len(channels) > 1 else buckets
        _print_rows(found, form, COLUMNS if points is None else several)
    else:
        for place, (channel, rows) in enumerate(found):
            if place:
                console().print()
            _print_table(desk, channel, list(rows), raw=points is None, weighted=weighted)


def _find(desk: Desk, channel_ids: Sequence[str]) -> list[Channel]:
    known = known_channels(desk.archive, desk.settings)
    for channel_id in channel_ids:
        if channel_id not in known:
            raise UnknownChannel(
                f"{channel_id}: no channel has that id. {did_you_mean(channel_id, known)}"
            )
    return [known[channel_id] for channel_id in channel_ids]


def _range(
    desk: Desk, channels: Sequence[Channel], start: str | None, end: str | None
) -> tuple[int, int]:
    now = desk.now()
    spans = [_span(desk, channel) for channel in channels]
    newest = max((span[1] + 1 for span in spans if span), default=now)  # ranges end before it
    ends = newest if end is None else parse_time("--to", end, now)
    return time_range(start, None, ends, _DEFAULT_SPAN)


def _span(desk: Desk, channel: Channel) -> tuple[Micros, Micros] | None:
    try:
        return desk.archive.span(channel.id)
    except KeyError:  # configured, and not a reading yet
        return None


def _readings(desk: Desk, channel: str, begins: Micros, ends: Micros) -> Iterator[Row]:
    cursor = None
    while True:
        page = readings_json(
            desk.archive, desk.settings, channel, begins, ends, cursor=cursor, limit=_PAGE
        )
        yield from page["items"]
        cursor = page["next"]
        if cursor is None:
            return


def _document(found: Sequence[tuple[Channel, Iterator[Row]]], begins: Micros, ends: Micros) -> Json:
    """Return what the API answers of one channel, or of several."""
    items = [{"channel": c.id, "unit": c.unit, "items": list(rows)} for c, rows in found]
    several = {"from": to_rfc3339(begins), "to": to_rfc3339(ends), "items": items, "next": None}
    return several if len(items) > 1 else series_of_one(several)


def _print_rows(
    found: Sequence[tuple[Channel, Iterator[Row]]], form: Format, columns: Sequence[str]
) -> None:
    told = (
        {name: row[name] for name in columns}
        for channel, rows in found
        for row in ({"channel": channel.id, "unit": channel.unit, **row} for row in rows)
    )
    if form is Format.JSONL:
        for row in told:
            print(json_module.dumps(row, ensure_ascii=False))  # noqa: T201
    elif form is Format.CSV:
        writer = csv.writer(sys.stdout, lineterminator="\n")
        writer.writerow(columns)
        for row in told:
            writer.writerow([repr(v) if isinstance(v, float) else v for v in row.values()])
    else:
        if not have_parquet():
            raise ConfigError(MISSING)
        write_parquet(sys.stdout.buffer, told, columns)


def _print_table(
    desk: Desk, channel: Channel, rows: Sequence[Row], *, raw: bool, weighted: bool
) -> None:
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
    elif weighted:  # no room beside it for where the span lies
        numbers = ("Min", "Mean", "Over time", "Max", "Readings")
        table = plain_table("From", *numbers, numbers=numbers)
        for row in rows:
            values = [_number(row[name]) for name in ("min", "mean", "time_mean", "max")]
            table.add_row(time_text(row["start"], zone), *values, str(row["count"]))
    else:
        header = ("From", "Min", "Mean", "Max", "Readings")
        table = plain_table(*header, "", numbers=header[1:])
        lowest = min(row["min"] for row in rows)
        highest = max(row["max"] for row in rows)
        for row in rows:
            values = [_number(row[name]) for name in ("min", "mean", "max")]
            bar = _bar(row, lowest, highest)
            table.add_row(time_text(row["start"], zone), *values, str(row["count"]), bar)
    out.print(table)


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.5g}"


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
