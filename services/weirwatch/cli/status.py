"""`weirwatch status`: does the service run, and how is the water?"""

import typer

from weirwatch.cli.options import ConfigOption, DataOption, JsonOption, config_path


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(name="status")(status_command)


def status_command(
    config: ConfigOption = None, data: DataOption = None, as_json: JsonOption = False
) -> None:
    """Show whether the service runs and how the water is.

    Which alarms stand, which nodes are connected, and the newest value of each channel.
    Exit code 1 when the service does not run.
    """
    from weirwatch.cli.desk import desk, print_json
    from weirwatch.cli.status_view import collect, print_status

    with desk(config_path(config), data) as open_desk:
        status = collect(open_desk)
        if as_json:
            print_json(status)
        else:
            print_status(status, open_desk)
    if not status["running"]:
        raise typer.Exit(1)
