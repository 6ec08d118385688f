"""`weirwatch token`: who may in, and as what."""

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

from weirwatch.cli.family import Family
from weirwatch.cli.options import ConfigOption, DataOption, JsonOption, config_path

NameArgument = Annotated[
    str, typer.Argument(metavar="NAME", help="Who uses it; stands in the record of every command.")
]
RoleOption = Annotated[
    str, typer.Option("--role", help="view, operate (acknowledge, shelve, …) or admin.")
]
DaysOption = Annotated[
    float | None, typer.Option("--days", help="Expires after so many days; without it never.")
]


def register(app: typer.Typer) -> None:
    """Add the family."""
    family = typer.Typer(
        cls=Family,
        help="Say who may use the API and the page. Each command takes --config.",
        rich_markup_mode=None,
        no_args_is_help=True,
    )
    family.command(name="add")(add_command)
    family.command(name="list")(list_command)
    family.command(name="revoke")(revoke_command)
    app.add_typer(family, name="token")


def add_command(
    name: NameArgument,
    role: RoleOption = "view",
    days: DaysOption = None,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Make a token. Its text is shown once; from the first one on everybody must show theirs."""
    from weirwatch.cli.desk import print_json

    asked = {"name": "add", "token": name, "role": role, "days": days}
    made = _asked(config_path(config), data, asked)
    if as_json:
        print_json(made)
        return
    ends = f"until {made['expires']}" if made["expires"] else "until it is revoked"
    typer.echo(f"{made['name']} may {made['role']}, {ends}. The token, shown this once:")
    typer.echo(made["text"])


def list_command(
    config: ConfigOption = None, data: DataOption = None, as_json: JsonOption = False
) -> None:
    """Show all tokens ever made, with when and from where they were last used."""
    from contextlib import closing

    from weirwatch.cli.desk import desk, print_json
    from weirwatch.pipeline.access import token_json
    from weirwatch.store.access import SqliteBook

    with desk(config_path(config), data) as open_desk:
        now = open_desk.now()
        with closing(SqliteBook(open_desk.file)) as book:
            tokens = [token_json(token, now) for token in book.tokens()]
    if as_json:
        print_json({"items": tokens, "next": None})
        return
    if not tokens:
        typer.echo("Nobody has a token: only this machine is served, and everybody on it.")
    for token in tokens:
        used = f"last used {token['last_used']} from {token['last_from']}"
        typer.echo(
            f"{token['id']}  {token['name']}: {token['role']}, {token['state']}, "
            f"{used if token['last_used'] else 'never used'}"
        )


def revoke_command(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name or id of the token.")],
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Revoke a token for good; what it has opened closes at once."""
    from weirwatch.cli.desk import print_json

    token = _asked(config_path(config), data, {"name": "revoke", "token": name})
    if as_json:
        print_json(token)
    else:
        typer.echo(f"{token['name']} ({token['id']}) is revoked.")


def _asked(config: Path, data: Path | None, request: Mapping[str, Any]) -> Mapping[str, Any]:
    """Ask the running service, or write the file under its lock when none runs."""
    from weirwatch.cli.alarms import login
    from weirwatch.cli.desk import SOCKET_NAME
    from weirwatch.config import Overrides, load
    from weirwatch.control.client import ControlClient
    from weirwatch.domain.errors import ConfigError
    from weirwatch.store.lock import WriterLock

    folder = load(config, Overrides(data_dir=data)).service.data_dir
    signed = {**request, "who": login(), "remote": "command line"}
    try:
        lock = WriterLock(folder)
    except ConfigError:
        if not (folder / SOCKET_NAME).exists():
            raise
        return ControlClient(folder / SOCKET_NAME).access(signed)
    with lock:
        return _here(folder, signed)


def _here(folder: Path, request: Mapping[str, Any]) -> Mapping[str, Any]:
    """Do what the core would; the caller holds the folder's lock."""
    from contextlib import closing

    from weirwatch.clock import SystemClock
    from weirwatch.domain.instant import file_stamp
    from weirwatch.pipeline.access_desk import AccessDesk
    from weirwatch.store.access import SqliteRegister
    from weirwatch.store.schema import FILE_NAME
    from weirwatch.store.sqlite_journal import open_journal

    clock = SystemClock()
    stamp = file_stamp(clock.now().utc)
    # Makes the file or brings it up to date.
    journal, _ = open_journal(folder, stamp, keep_damaged=True)
    journal.close()
    with closing(SqliteRegister(folder / FILE_NAME)) as register:
        return AccessDesk(register, clock).handle(request)
