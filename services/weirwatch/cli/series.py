"""`weirwatch series`: the history of one channel, as a table or for another program."""

from enum import StrEnum
from typing import Annotated

import typer

from weirwatch.cli.options import ConfigOption, DataOption, JsonOption, config_path


class Format(StrEnum):
    """How a series is printed."""

    TABLE = "table"
    CSV = "csv"
    JSONL = "jsonl"
    PARQUET = "parquet"


ChannelArgument = Annotated[
    str, typer.Argument(metavar="CHANNEL", help="As in harbour-hall/sump-node/level.")
]
FromOption = Annotated[
    str | None,
    typer.Option(
        "--from", metavar="TIME", help="RFC 3339, or a span before --to: 6h, 2d.  [default: 24h]"
    ),
]
ToOption = Annotated[
    str | None,
    typer.Option(
        "--to", metavar="TIME", help="RFC 3339, or a span ago.  [default: the newest reading]"
    ),
]
PointsOption = Annotated[
    int, typer.Option("--points", min=1, max=100_000, help="Rows at most: min, mean, max of each.")
]
RawOption = Annotated[bool, typer.Option("--raw", help="Every reading as it came.")]
FormatOption = Annotated[Format, typer.Option("--format", help="How to print it.")]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(name="series")(series_command)


def series_command(
    channel: ChannelArgument,
    start: FromOption = None,
    end: ToOption = None,
    points: PointsOption = 48,
    raw: RawOption = False,
    form: FormatOption = Format.TABLE,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Print the history of one channel.

    Min, mean and max of equal spans, or with --raw every reading; that, as csv, jsonl or parquet in
    a file, is what `weirwatch history import` and (csv) `weirwatch replay --readings` read.
    """
    from weirwatch.cli.desk import desk
    from weirwatch.cli.series_view import print_series

    with desk(config_path(config), data) as open_desk:
        print_series(
            open_desk, channel, start, end, points=None if raw else points, form=form, json=as_json
        )
