"""`weirwatch report upkeep`: jobs and calibrations that are due, and what runs out when."""

from collections.abc import Iterable, Mapping
from typing import Any

import typer

from weirwatch.cli.options import ConfigOption, DataOption, JsonOption, places
from weirwatch.cli.water_report import SystemOption


def register(family: typer.Typer) -> None:
    """Add the command to the family of reports."""
    family.command(name="upkeep")(upkeep_command)


def upkeep_command(
    context: typer.Context,
    system: SystemOption = "",
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say which jobs and calibrations are due, and what runs out before more can be there.

    Jobs are [[job]], what runs out is [[supply]] in the configuration; what was done and counted
    stands in the log.
    """
    from weirwatch.cli.desk import desk, print_json
    from weirwatch.pipeline.upkeep import supply_line, upkeep_json, waiting_lines
    from weirwatch.pipeline.water_report import system_of

    with desk(*places(context, config, data)) as open_desk:
        named = system_of(open_desk.settings, system)
        report = upkeep_json(open_desk.archive, open_desk.settings, named, open_desk.now())
    if as_json:
        print_json(report)
        return
    waiting = waiting_lines(report)
    done = [job for job in report["jobs"] if job["state"] == "done"]
    unknown = [s for s in report["supplies"] if s["state"] == "not-known"]
    in_order = [supply_line(s) for s in report["supplies"] if s["state"] == "enough"]
    in_order += [f"{job['title']}: next on {job['due_at'][:10]}" for job in done]
    counted_once = [supply_line(s) for s in unknown if s["left"] is not None]
    _section("Waiting:" if waiting else "Nothing is due and nothing runs out.", waiting)
    for title, lines in (
        ("In order:", in_order),
        ("How fast it goes is not known yet:", counted_once),
        ("Never counted:", [_how_counted(s) for s in unknown if s["left"] is None]),
    ):
        if lines:
            _section(f"\n{title}", lines)


def _section(title: str, lines: Iterable[str]) -> None:
    typer.echo(title)
    for line in lines:
        typer.echo(f"  {line}")


def _how_counted(supply: Mapping[str, Any]) -> str:
    return f"{supply['title']}: weirwatch log add supply {supply['id']} AMOUNT {supply['unit']}"
