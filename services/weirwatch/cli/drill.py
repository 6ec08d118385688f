"""`weirwatch drill`: would the keeper's own rules tell each failure before harm begins?"""

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from weirwatch.cli.options import ConfigOption, DataOption, JsonOption, config_path
from weirwatch.cli.work import WhoOption

if TYPE_CHECKING:
    from weirwatch.cli.drill_run import Job
    from weirwatch.settings import Settings

ALL, DAY, DRIFT, NORMAL = "all", "day", "drift", "normal"


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(name="drill")(drill_command)


def drill_command(
    failures: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="FAILURE…|all|day|drift|normal",
            help="Failures to play; all by default. day: those whose play takes a day or so; "
            "drift: the slower ones; normal: ordinary life.",
            show_default=False,
        ),
    ] = None,
    runs: Annotated[
        int,
        typer.Option(min=1, max=1000, help="Plays of each: the first nominal, others random."),
    ] = 1,
    days: Annotated[
        float, typer.Option(min=0.1, max=3660, help="Days of ordinary life (normal only).")
    ] = 7.0,
    every: Annotated[
        float | None,
        typer.Option(
            min=1,
            max=600,
            help="Sampling of ordinary life in seconds.  [default: the nodes' own]",
            show_default=False,
        ),
    ] = None,
    seed: Annotated[
        int | None,
        typer.Option(
            help="Of the random plays and the probes' noise.  [default: 1, or the scenario's]",
            show_default=False,
        ),
    ] = None,
    jobs: Annotated[
        int | None, typer.Option(min=1, max=64, help="Plays at once.  [default: one per core]")
    ] = None,
    report: Annotated[
        Path | None, typer.Option(metavar="FILE.html", help="Write a report with plots.")
    ] = None,
    scenario: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.toml", help="Play a timeline of several failures.", show_default=False
        ),
    ] = None,
    live: Annotated[
        bool,
        typer.Option(
            "--live", help="Play one failure against the running service, over its broker."
        ),
    ] = False,
    minutes: Annotated[
        float, typer.Option(min=0.1, max=240, help="Longest time of a live drill, real.")
    ] = 30.0,
    speed: Annotated[
        float, typer.Option(min=1, max=60, help="Of a live drill, times real time.")
    ] = 1.0,
    who: WhoOption = None,
    as_json: JsonOption = False,
    config: ConfigOption = None,
    data: DataOption = None,
) -> None:
    """Play failures on a simulation of the plant and see which your rules tell, and when.

    Faster than real time, through the real decoder, alarm engine and journal, on the [plant] of
    the configuration. Needs no broker, notifies nobody, leaves no file behind but the report.
    Exit code 1 when a failure is missed or told after harm has begun, or when ordinary life is
    not quiet.

    With --scenario a file says what fails when, several at once if it wants; docs/drill.md has its
    format. With --live one failure is played over the broker against the running service, on
    topics and a record apart: the real people get notices that begin with DRILL. Refused while a
    real alarm stands; a real alarm ends it.
    """
    from weirwatch.config import Overrides, load

    settings = load(config_path(config), Overrides(data_dir=data))
    names = failures or [ALL]
    if scenario is not None:
        more = bool(failures or live or report or runs > 1 or every is not None)
        raise typer.Exit(_scenario(settings, scenario, seed, more=more, as_json=as_json))
    seed = 1 if seed is None else seed
    if live:
        raise typer.Exit(_live(settings, names, minutes, speed, seed, who, as_json=as_json))
    workers = jobs or os.cpu_count() or 1
    if names == [NORMAL]:
        from weirwatch.cli.drill_run import Job

        todo = [Job("", run, seed, days, every_s=every) for run in range(runs)]
        code = _normal(settings, todo, workers, as_json, report)
    else:
        code = _failures(settings, names, runs, seed, workers, as_json, report)
    raise typer.Exit(code)


def _scenario(
    settings: "Settings", path: Path, seed: int | None, *, more: bool, as_json: bool
) -> int:
    from weirwatch.cli.drill_scenario import run_scenario
    from weirwatch.domain.errors import ConfigError

    if more:
        raise ConfigError(
            f"--scenario {path}: the file says what is played; leave out failures, --live, "
            "--report, --runs and --every"
        )
    return run_scenario(settings, path, seed, as_json=as_json)


def _live(
    settings: "Settings",
    names: list[str],
    minutes: float,
    speed: float,
    seed: int,
    who: str | None,
    *,
    as_json: bool,
) -> int:
    from weirwatch.cli.alarms import login
    from weirwatch.cli.drill_live import Wanted, run_live
    from weirwatch.domain.errors import ConfigError

    if len(names) != 1 or names[0] in (ALL, DAY, DRIFT, NORMAL):
        raise ConfigError(
            "drill --live: name one failure, as in: weirwatch drill floor-leak --live"
        )
    wanted = Wanted(names[0], minutes, speed, seed, who or login())
    return run_live(settings, wanted, as_json=as_json)


def _failures(
    settings: "Settings",
    names: list[str],
    runs: int,
    seed: int,
    workers: int,
    as_json: bool,
    report: Path | None,
) -> int:
    from weirwatch.cli.drill_report import write_report
    from weirwatch.cli.drill_run import Job
    from weirwatch.cli.drill_view import Bill, failures_json, show_failures
    from weirwatch.config.catalogue import load_catalogue

    bill = Bill.of(settings, load_catalogue(), names)
    plot = report is not None
    todo = [Job(f, run, seed, plot=plot and run == 0) for f in bill.played for run in range(runs)]
    results = _play(settings, todo, workers, quiet=as_json)
    summaries = bill.summaries(results)
    if report is not None:
        write_report(report, settings, bill, summaries)
    if as_json:
        failures_json(bill, summaries)
    else:
        show_failures(bill, summaries)
    return bill.exit_code(summaries)


def _normal(
    settings: "Settings",
    todo: "list[Job]",
    workers: int,
    as_json: bool,
    report: Path | None,
) -> int:
    from weirwatch.cli.drill_plant import SimulatedPlant
    from weirwatch.cli.drill_view import normal_json, show_normal
    from weirwatch.domain.errors import ConfigError

    if report is not None:
        raise ConfigError("--report: there is nothing to plot in ordinary life; leave it out")
    SimulatedPlant(settings).require_probes()
    results = _play(settings, todo, workers, quiet=as_json)
    if as_json:
        return normal_json(results)
    return show_normal(results, settings.service.time_zone)


def _play(settings: "Settings", todo: "list[Job]", workers: int, *, quiet: bool) -> "list[object]":
    """Play all jobs with a bar on standard error; return the results in the jobs' order."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    from weirwatch.cli.drill_run import run_all

    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        console=Console(stderr=True),
        disable=quiet,
        transient=True,
    )
    done: dict[Job, object] = {}
    with bar:
        task = bar.add_task("Playing", total=len(todo))
        for job, result in run_all(settings, todo, workers):
            done[job] = result
            bar.update(task, advance=1, description=f"Played {job.failure or 'ordinary life'}")
    return [done[job] for job in todo]
