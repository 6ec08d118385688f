"""`weirwatch report`: how well the alarms serve."""

from typing import Annotated

import typer

from weirwatch.cli import upkeep_report, water_report
from weirwatch.cli.family import Family
from weirwatch.cli.options import ConfigOption, DataOption, JsonOption, places

FromOption = Annotated[
    str | None,
    typer.Option(
        "--from", metavar="TIME", help="RFC 3339, or a span before --to: 12h, 7d.  [default: 30d]"
    ),
]
ToOption = Annotated[
    str | None,
    typer.Option("--to", metavar="TIME", help="RFC 3339, or a span ago.  [default: now]"),
]


def register(app: typer.Typer) -> None:
    """Add the family."""
    family = typer.Typer(
        cls=Family,
        help="Reports over what is on record.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    family.callback()(_family)
    family.command(name="alarms")(alarms_command)
    water_report.register(family)
    upkeep_report.register(family)
    app.add_typer(family, name="report")


def _family(context: typer.Context, config: ConfigOption = None, data: DataOption = None) -> None:
    """Reports over what is on record."""
    context.obj = (config, data)


def alarms_command(
    context: typer.Context,
    start: FromOption = None,
    end: ToOption = None,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say how well the alarms serve: how many, how often for nothing, how often at night.

    Beside each figure stands its target, after ANSI/ISA-18.2 clause 16 and EEMUA 191.
    """
    from weirwatch.cli.desk import desk, print_json
    from weirwatch.cli.report_view import print_alarm_report
    from weirwatch.cli.time_range import time_range
    from weirwatch.pipeline.alarm_report import DEFAULT_SPAN, alarm_report_json

    with desk(*places(context, config, data)) as open_desk:
        now = open_desk.now()
        begins, ends = time_range(start, end, now, DEFAULT_SPAN)
        report = alarm_report_json(open_desk.archive, open_desk.settings, begins, ends, now)
        if as_json:
            print_json(report)
        else:
            print_alarm_report(report, open_desk.settings.service.time_zone)
