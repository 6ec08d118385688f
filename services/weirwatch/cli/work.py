"""`weirwatch work`: planned work, so that nothing rings for what is done on purpose."""

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

from weirwatch.cli.family import Family
from weirwatch.cli.options import ConfigOption, DataOption, JsonOption, places

WorkArgument = Annotated[str, typer.Argument(metavar="WORK", help="Id, as in feeding-pause.")]
WhoOption = Annotated[
    str | None, typer.Option("--who", help="Your name on record.  [default: the login name]")
]
CommentOption = Annotated[str, typer.Option("--comment", help="Goes on record.")]
MinutesOption = Annotated[
    float | None, typer.Option("--minutes", help="How long, if not as configured.")
]


def register(app: typer.Typer) -> None:
    """Add the family."""
    family = typer.Typer(cls=Family, help="Start and end planned work.", rich_markup_mode=None)
    family.callback(invoke_without_command=True)(_family)
    family.command(name="list")(list_command)
    family.command(name="start")(start_command)
    family.command(name="end")(end_command)
    app.add_typer(family, name="work")


def _family(
    context: typer.Context,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Start and end planned work, so that nothing rings for what is done on purpose."""
    context.obj = (config, data)
    if context.invoked_subcommand is None:
        list_command(context, config, data, as_json)


def list_command(
    context: typer.Context,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """List the planned work that is configured, and how each stands."""
    from weirwatch.cli.desk import desk, print_json
    from weirwatch.cli.words import console, plain_table

    with desk(*places(context, config, data)) as open_desk:
        page = {**open_desk.core.work({"name": "list"}), "next": None}
        if as_json:
            print_json(page)
            return
        out = console()
        if not page["items"]:
            out.print("No planned work is configured.  ([[planned_work]] in the configuration)")
            return
        table = plain_table("Planned work", "Minutes", "State", numbers=("Minutes",))
        for work in page["items"]:
            name = f"{work['title']}\n{work['id']}"
            state = _state(work, open_desk.settings.service.time_zone)
            table.add_row(name, f"{work['minutes']:g}", state)
        out.print(table)


def start_command(
    context: typer.Context,
    work: WorkArgument,
    minutes: MinutesOption = None,
    comment: CommentOption = "",
    who: WhoOption = None,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Start planned work: its alarms are shelved together, bold failures never.

    Started again while it is under way, it ends so many minutes from now.
    """
    asked = {"name": "start", "work": work, "minutes": minutes}
    _ask(places(context, config, data), asked, who, comment, as_json=as_json)


def end_command(
    context: typer.Context,
    work: WorkArgument,
    comment: CommentOption = "",
    who: WhoOption = None,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """End planned work now; without this it ends by itself."""
    asked = {"name": "end", "work": work}
    _ask(places(context, config, data), asked, who, comment, as_json=as_json)


def _ask(
    place: tuple[Path, Path | None],
    asked: dict[str, Any],
    who: str | None,
    comment: str,
    *,
    as_json: bool,
) -> None:
    from weirwatch.cli.alarms import login
    from weirwatch.cli.desk import desk, print_json

    with desk(*place) as open_desk:
        found = open_desk.core.work({**asked, "who": who or login(), "comment": comment})
        if as_json:
            print_json(found)
        else:
            zone = open_desk.settings.service.time_zone
            typer.echo(f"{found['title']}: {_state(found, zone)}")
            typer.echo(f"Shelved: {', '.join(found['shelved']) or 'no alarm'}")


def _state(work: Mapping[str, Any], zone: Any) -> str:
    from weirwatch.cli.words import time_text

    match work["state"]:
        case "under-way":
            by = f" ({work['who']})" if work["who"] else ""
            return f"under way{by} until {time_text(work['ends_at'], zone)}"
        case "settling":
            return f"ended; checked at {time_text(work['check_at'], zone)}"
        case "not-back-to-normal":
            return f"ended, not back to normal: {'; '.join(work['unmet'])}"
        case _:
            return "idle"
