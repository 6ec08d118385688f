"""`weirwatch report upkeep`: jobs and calibrations that are due, and what runs out when."""

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
    typer.echo("Waiting:" if waiting else "Nothing is due and nothing runs out.")
    for line in waiting:
        typer.echo(f"  {line}")
    rest = [supply_line(s) for s in report["supplies"] if s["state"] == "enough"]
    uncounted = [s for s in report["supplies"] if s["state"] == "not-known"]
    done = [job for job in report["jobs"] if job["state"] == "done"]
    if rest or done:
        typer.echo("\nIn order:")
    for line in rest:
        typer.echo(f"  {line}")
    for job in done:
        typer.echo(f"  {job['title']}: next on {job['due_at'][:10]}")
    if uncounted:
        typer.echo("\nNever counted:")
    for supply in uncounted:
        counted_by = f"weirwatch log add supply {supply['id']} AMOUNT {supply['unit']}"
        typer.echo(f"  {supply['title']}: {counted_by}")
