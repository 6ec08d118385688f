"""`weirwatch check`: what is wrong with a configuration file, all of it at once."""

from pathlib import Path
from typing import Annotated

import typer

from weirwatch.cli.options import ConfigOption, JsonOption, config_path


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(name="check")(check_command)


def check_command(
    file: Annotated[
        Path | None, typer.Argument(metavar="FILE", help="Configuration file to look at.")
    ] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
    suggest: Annotated[
        bool,
        typer.Option("--suggest", help="Print rules of the catalogue for failures without one."),
    ] = False,
) -> None:
    """Say what is wrong or doubtful in a configuration file.

    All of it at once, each with file, key, value and cure. Changes nothing, starts nothing.
    Exit code 2 with mistakes, 0 with warnings only. With --suggest it prints [[rule]] tables to
    add to the file instead: one for each failure without a rule on each channel that could show it.
    """
    from weirwatch import config as configuration
    from weirwatch.config import Report, check

    path = config_path(file, config)
    if suggest:
        tables = configuration.suggest(path)
        typer.echo(
            "\n\n".join(tables)
            or "# Nothing to suggest: what these channels can show has its rules."
        )
        return
    report: Report = check(path)
    warnings = report.warnings if report.errors else (*report.warnings, *_unplayable(path))
    if as_json:
        from weirwatch.cli.desk import print_json  # opens the store, and loads numpy for it

        print_json({"file": str(path), "errors": report.errors, "warnings": warnings})
    else:
        _say(path, report.errors, warnings)
    if report.errors:
        raise typer.Exit(2)


def _unplayable(path: Path) -> tuple[str, ...]:
    """Return why drills refuse the plant of a file without mistakes; nothing when they do not."""
    from weirwatch.config import load
    from weirwatch.domain.errors import ConfigError

    settings = load(path)
    if settings.plant is None:
        return ()
    from weirwatch.cli.drill_plant import SimulatedPlant  # numpy and the simulator

    try:
        SimulatedPlant(settings)
    except ConfigError as trouble:
        return (f"{str(trouble).rstrip('.')}. Until then there is no drill of this plant.",)
    return ()


def _say(path: Path, errors: tuple[str, ...], warnings: tuple[str, ...]) -> None:
    from weirwatch.domain.wording import counted

    for sentence in errors:
        typer.echo(sentence, err=True)
    for sentence in warnings:
        typer.echo(f"warning: {sentence}", err=True)
    if errors:
        typer.echo(f"\n{counted(len(errors), 'mistake')} in {path}.", err=True)
        return
    doubts = counted(len(warnings), "warning") if warnings else "no warning"
    typer.echo(f"{path}: {_contents(path)}. No mistake, {doubts}.")


def _contents(path: Path) -> str:
    from weirwatch.config import load
    from weirwatch.domain.wording import counted

    settings = load(path)
    own = sum(rule.kind != "system" for rule in settings.rules)
    return (
        f"{counted(len(settings.systems), 'system')}, "
        f"{counted(len(settings.channels), 'channel')}, "
        f"{counted(own, 'rule')} and {len(settings.rules) - own} built-in, "
        f"{counted(len(settings.recipients), 'recipient')}"
    )
