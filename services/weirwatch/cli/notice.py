"""`weirwatch notice`: what people were told, and whether they can be reached."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from weirwatch.cli.family import Family
from weirwatch.cli.options import ConfigOption, DataOption, JsonOption, config_path

if TYPE_CHECKING:
    from weirwatch.ports import Archive, Notice

_PAGE = 500
_STATES = ("pending", "delivered", "given-up", "expired", "folded")


def register(app: typer.Typer) -> None:
    """Add the family."""
    family = typer.Typer(
        cls=Family,
        help="Notices: what people were told, and whether they can be reached.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    family.command(name="list")(list_command)
    family.command(name="test")(try_command)
    family.command(name="morning")(morning_command)
    app.add_typer(family, name="notice")


def list_command(
    last: Annotated[int, typer.Option(min=1, help="So many of the newest.")] = 20,
    state: Annotated[
        str | None, typer.Option(help="Only pending, delivered, given-up, expired or folded.")
    ] = None,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Print the newest notices, oldest first, and how their delivery stands."""
    from weirwatch.cli.desk import desk, print_json
    from weirwatch.cli.words import console, plain_table
    from weirwatch.pipeline.local_time import local_time
    from weirwatch.pipeline.shapes import notice_json

    with desk(config_path(config), data) as open_desk:
        found = _newest(open_desk.archive, last, _known(state))
        if as_json:
            print_json({"items": [notice_json(*item) for item in found], "next": None})
            return
        if not found:
            typer.echo("There is no such notice." if state else "There is no notice yet.")
            return
        zone = open_desk.settings.service.time_zone
        table = plain_table("Written", "To", "Delivery", "Notice")
        for _, notice in found:
            first = notice.text.split("\n", 1)[0]
            created = local_time(notice.created, zone)
            table.add_row(created, notice.recipient, _delivery(notice), first)
        console().print(table)


def try_command(
    recipient: Annotated[
        str | None, typer.Argument(metavar="RECIPIENT", help="Only to this one.")
    ] = None,
    wait: Annotated[
        float, typer.Option(min=1, max=600, help="Seconds to wait for an answer.")
    ] = 30.0,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Send a test notice to every recipient, and say whether the other side took it.

    Through the running service and its outbox, as every notice goes; straight out while none runs.
    It is put on record. Exit code 1 if one was not taken.
    """
    from weirwatch.cli.desk import desk, print_json
    from weirwatch.cli.notice_test import results_of

    with desk(config_path(config), data) as open_desk:
        results = results_of(open_desk, recipient, wait)
    if as_json:
        print_json({"items": results, "next": None})
    else:
        for result in results:
            said = result["error"] or "taken"
            typer.echo(f"{result['recipient']}: {said}", err=not result["taken"])
    if not all(result["taken"] for result in results):
        raise typer.Exit(1)


def morning_command(
    config: ConfigOption = None, data: DataOption = None, as_json: JsonOption = False
) -> None:
    """Print the morning line: what changed overnight, what is due, whether all is well.

    Out of the record; a recipient with `morning` gets it every day. Exit code 1 unless all is well.
    """
    from weirwatch.cli.desk import desk, print_json
    from weirwatch.pipeline.morning import morning_json, morning_of, morning_text

    with desk(config_path(config), data) as open_desk:
        settings, now = open_desk.settings, open_desk.now()
        morning = morning_of(open_desk.archive, settings, open_desk.catalogue, now)
        if as_json:
            print_json(morning_json(morning))
        else:
            typer.echo(morning_text(morning, now, settings, None))
    if morning.wrong:
        raise typer.Exit(1)


def _known(state: str | None) -> str | None:
    from weirwatch.config.problems import did_you_mean
    from weirwatch.domain.errors import ConfigError

    if state is not None and state not in _STATES:
        cure = did_you_mean(state, _STATES)
        raise ConfigError(f"--state {state}: is no state of a notice. {cure}")
    return state


def _newest(archive: "Archive", last: int, state: str | None) -> "Sequence[tuple[int, Notice]]":
    found: list[tuple[int, Notice]] = []
    after = 0
    while page := archive.notices(after, _PAGE):
        found = [*found, *(item for item in page if state in (None, item[1].state))][-last:]
        after = page[-1][0]
    return found


def _delivery(notice: "Notice") -> str:
    if notice.state == "pending" and notice.attempts:
        return f"pending, {notice.attempts} tries: {notice.last_error}"
    if notice.state in ("given-up", "expired", "folded"):
        return f"{notice.state.replace('-', ' ')}: {notice.last_error}"
    return notice.state
