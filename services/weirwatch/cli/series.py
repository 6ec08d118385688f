"""`weirwatch series`: the history of channels, as tables or for another program."""

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


ChannelsArgument = Annotated[
    list[str],
    typer.Argument(metavar="CHANNEL", help="As in harbour-hall/sump-node/level; one or several."),
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
    int,
    typer.Option(
        "--points", min=1, max=100_000, help="Rows at most of each channel: min, mean, max of each."
    ),
]
WeightedOption = Annotated[
    bool,
    typer.Option(
        "--weighted", help="Also the mean weighted by time: reads every reading, takes longer."
    ),
]
RawOption = Annotated[bool, typer.Option("--raw", help="Every reading as it came.")]
FormatOption = Annotated[Format, typer.Option("--format", help="How to print it.")]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(name="series")(series_command)


def series_command(
    channels: ChannelsArgument,
    start: FromOption = None,
    end: ToOption = None,
    points: PointsOption = 48,
    weighted: WeightedOption = False,
    raw: RawOption = False,
    form: FormatOption = Format.TABLE,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Print the history of channels.

    Min, mean and max of equal spans (csv, jsonl, parquet: also count, first and last), of several
    channels the same spans, one channel after the other. The mean is that of the readings; with
    --weighted also that over time, where a reading counts for as long as it stood.

    With --raw every reading; that, as csv, jsonl or parquet in a file, is what
    `weirwatch history import` and (csv) `weirwatch replay --readings` read.
    """
    from weirwatch.cli.desk import desk
    from weirwatch.cli.series_view import print_series
    from weirwatch.domain.errors import ConfigError

    if raw and weighted:
        raise ConfigError("--weighted: leave it out with --raw, which tells every reading as it is")
    with desk(config_path(config), data) as open_desk:
        print_series(
            open_desk,
            list(dict.fromkeys(channels)),
            (start, end),
            points=None if raw else points,
            weighted=weighted,
            form=form,
            json=as_json,
        )
