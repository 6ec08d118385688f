"""`weirwatch history`: readings of the past put in, and history moved between stores."""

from pathlib import Path
from typing import Annotated

import typer

from weirwatch.cli.family import Family
from weirwatch.cli.options import ConfigOption, DataOption, JsonOption, config_path

ChannelOption = Annotated[
    str, typer.Option("--channel", metavar="ID", help="Of rows that name no channel.")
]
UnitOption = Annotated[
    str | None,
    typer.Option("--unit", help="Of rows that name no unit.  [default: each channel's own]"),
]
CheckOption = Annotated[bool, typer.Option("--check", help="Look at it only; store nothing.")]


def register(app: typer.Typer) -> None:
    """Add the family."""
    family = typer.Typer(
        cls=Family,
        help="Put readings of the past in, or move history to another store.",
        rich_markup_mode=None,
        no_args_is_help=True,
    )
    family.command(name="import")(import_command)
    family.command(name="copy")(copy_command)
    app.add_typer(family, name="history")


def import_command(
    files: Annotated[list[Path], typer.Argument(metavar="FILE…", help=".csv, .jsonl, .parquet")],
    channel: ChannelOption = "",
    unit: UnitOption = None,
    check: CheckOption = False,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Store readings from files: those of `series --raw`, or an old log with the same columns.

    Columns: time (RFC 3339), value, and any of channel, quality, reason, unit. All lines are
    checked before one is stored. What is there already stays, so that the same file may be
    imported again. Nothing is judged by these readings: no rule, no alarm.
    """
    from weirwatch.cli.desk import desk, print_json
    from weirwatch.cli.history_import import put_in

    with desk(config_path(config), data) as open_desk:
        done = put_in(open_desk, files, channel, unit, check=check)
    if as_json:
        print_json(done)
    elif check:
        typer.echo(f"{done['readings']} readings are as they should be. Nothing was stored.")
    else:
        typer.echo(f"{done['stored']} readings stored, {done['already']} were there already.")
    if done["only_summary"] and not as_json:
        typer.echo(
            f"{done['only_summary']} lie in hours of which only the summary is kept: these"
            " readings themselves are not in the history, and do not come back."
        )
    if done["summed_up"] and not as_json:
        typer.echo(
            f"{done['summed_up']} are older than the raw_days of their channel: of these the"
            " summary of each hour stays, the readings go."
        )
    if done["let_go"] and not as_json:
        verb = "would not be" if check else "were not"
        typer.echo(
            f"{done['let_go']} are older than the hourly_years of their channel and {verb} stored."
        )


def copy_command(
    old: Annotated[
        Path, typer.Option("--from", metavar="FILE", help="Configuration of the old store.")
    ],
    old_data: Annotated[
        Path | None,
        typer.Option("--from-data", metavar="DIR", help="Its data folder, if not as it says."),
    ] = None,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Copy every reading from the store of an old configuration to that of the present one.

    What is there already stays, so that it may be done again. Hourly summaries whose readings were
    let go are not readings: they stay in the old file.
    """
    from weirwatch.cli.desk import desk, print_json
    from weirwatch.cli.history_copy import copy_history

    tell = (lambda _: None) if as_json else typer.echo
    with desk(config_path(config), data) as open_desk:
        done = copy_history(open_desk, old, old_data, tell)
    if as_json:
        print_json(done)
        return
    typer.echo(f"{done['stored']} readings copied, {done['already']} were there already.")
    for channel in done["not_configured"]:
        typer.echo(f"Left out, since it is not configured here: {channel}")
    for channel in done["too_old"]:
        typer.echo(f"Left out of {channel}: what is older than its hourly_years here")
    for channel in done["too_new"]:
        typer.echo(f"Left out of {channel}: what a clock that was wrong put into the future")
