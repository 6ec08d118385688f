"""`weirwatch serve`: run the service."""

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(name="serve")(serve_command)


def serve_command(
    config: Annotated[
        Path, typer.Option(envvar="WEIRWATCH_CONFIG", metavar="FILE", help="Configuration file.")
    ] = Path("weirwatch.toml"),
    without_web: Annotated[
        bool, typer.Option("--without-web", help="Core only: no API and no page.")
    ] = False,
    log_level: Annotated[
        str, typer.Option(metavar="LEVEL", help="debug, info, warning or error.")
    ] = "info",
) -> None:
    """Run the service: receive readings, decide alarms, tell people, serve API and page."""
    from weirwatch.app import build_core
    from weirwatch.cli.running import run_until_stopped, set_up_logging, web_argv
    from weirwatch.clock import SystemClock
    from weirwatch.config import load
    from weirwatch.config.in_use import FILE_NAME, InUse

    set_up_logging(log_level)
    settings = load(config)
    clock = SystemClock()
    listen = f"{settings.web.host}:{settings.web.port}"
    data_dir = settings.service.data_dir
    in_use = InUse(config)
    argv = web_argv(in_use.path, data_dir, listen, clock.as_json(), data_dir / FILE_NAME)
    core = build_core(settings, clock, None if without_web else argv, in_use)
    try:
        core.start()
        where = "without API and page" if without_web else f"serves http://{listen}/"
        typer.echo(f"Weirwatch {where}; data in {data_dir}")
        facts = core.broker_facts
        typer.echo(f"Broker: {facts.kind} at {facts.address}. {facts.limits}")
        code = run_until_stopped(core)
    finally:
        core.stop()
    raise typer.Exit(code)
