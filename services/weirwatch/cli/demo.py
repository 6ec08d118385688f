"""`weirwatch demo`: the whole service on a simulated plant, in one command."""

from pathlib import Path
from typing import Annotated

import typer

FASTEST = 60.0
FIRST_FAULT_S = 10.0  # real seconds until the default demo's pump fails
FAULT_LASTS_S = 60.0  # real seconds until it is mended


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(name="demo")(demo_command)


def demo_command(
    speed: Annotated[
        float, typer.Option(metavar="TIMES", help="Faster than real time, 1 to 60.")
    ] = 30.0,
    fault: Annotated[
        list[str] | None,
        typer.Option(
            metavar="ID[@SECONDS]",
            help="Failure to play, so many seconds from the start; may be repeated.",
        ),
    ] = None,
    for_s: Annotated[
        float | None,
        typer.Option("--for", metavar="SECONDS", help="Stop after so much plant time."),
    ] = None,
    port: Annotated[int, typer.Option(metavar="PORT", help="Of API and page.")] = 8080,
    data: Annotated[Path, typer.Option(metavar="DIR", help="Data folder.")] = Path("data/demo"),
    config: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Another configuration with a [plant].")
    ] = None,
    log_level: Annotated[
        str, typer.Option(metavar="LEVEL", help="debug, info, warning or error.")
    ] = "warning",
) -> None:
    """Run service, broker, page and a simulated plant: water moves, a pump fails, an alarm sounds.

    Without --fault the return pump stops within the first minute and is mended after a while.
    Times of --for and --fault are seconds of plant time.
    """
    from weirwatch.app import build_core
    from weirwatch.cli.demo_plant import demo_config, faults_of, make_plant, resume_point
    from weirwatch.cli.running import run_until_stopped, set_up_logging, web_argv
    from weirwatch.clock import SystemClock, scaled_clock
    from weirwatch.config import Overrides, load
    from weirwatch.domain.errors import ConfigError
    from weirwatch.domain.instant import SECOND

    if not 1.0 <= speed <= FASTEST:
        raise ConfigError(f"--speed {speed:g}: give 1 to {FASTEST:g}")
    if for_s is not None and for_s <= 0:
        raise ConfigError(f"--for {for_s:g}: give more than 0 seconds")
    set_up_logging(log_level)
    path = (config if config is not None else demo_config()).absolute()
    data_dir = data.absolute()
    try:
        data_dir.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ConfigError(
            f"--data {data}: cannot be made ({error.strerror}): name a folder that you may write"
        ) from error
    listen = f"127.0.0.1:{port}"
    overrides = Overrides(
        data_dir=data_dir, web_listen=listen, broker_url="auto", broker_listen="127.0.0.1:0"
    )
    settings = load(path, overrides)
    faults = faults_of(fault or [], FIRST_FAULT_S * speed, FAULT_LASTS_S * speed)
    began = resume_point(data_dir) or SystemClock().now().utc
    clock = scaled_clock(speed, began)
    core = build_core(settings, clock, web_argv(path, data_dir, listen, clock.as_json()))
    plant = None
    try:
        core.start()
        plant = make_plant(settings, core.broker_address, clock, faults)
        plant.start()
        title = settings.systems[0].title or settings.systems[0].id
        _say(title, listen, speed, [f.id for f in faults], core.broker_facts.kind, data_dir)
        ends = None if for_s is None else began + round(for_s * SECOND)
        code = run_until_stopped(core, lambda: ends is not None and clock.now().utc >= ends)
    finally:
        if plant is not None:
            plant.stop()
        core.stop()
    raise typer.Exit(code)


def _say(
    title: str, listen: str, speed: float, faults: list[str], broker: str, data_dir: Path
) -> None:
    typer.echo(f"\n  Open  http://{listen}/   (Ctrl-C ends the demo)\n")
    typer.echo(f"  {title} runs {speed:g} times faster than real time; nobody's fish are hurt.")
    typer.echo(f"  To come: {', '.join(faults)}. Watch the page: the alarm brings its safety card.")
    typer.echo(f"  Broker: {broker}. Data: {data_dir}\n")
