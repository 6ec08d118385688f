"""`weirwatch node`: a login at your own mosquitto for each node, and what it may publish."""

from pathlib import Path
from typing import Annotated

import typer

from weirwatch.cli.family import Family
from weirwatch.cli.options import ConfigOption, JsonOption, config_path

NodeArgument = Annotated[
    str,
    typer.Argument(
        metavar="SYSTEM/NODE", help="As in the channels' ids; of a listener a name of your choice."
    ),
]
ListensOption = Annotated[
    bool,
    typer.Option(
        "--listens",
        help="A login that reads what Weirwatch and its nodes publish, and publishes nothing: for"
        " the watcher on another machine, or another program.",
    ),
]
FolderOption = Annotated[
    Path | None,
    typer.Option(
        "--folder",
        metavar="DIR",
        help="Where mosquitto's files are kept.  [default: mosquitto/ in the data folder]",
        show_default=False,
    ),
]


def register(app: typer.Typer) -> None:
    """Add the family."""
    family = typer.Typer(
        cls=Family,
        help="Give nodes and listeners a login at your own mosquitto. Each command takes --config.",
        rich_markup_mode=None,
        no_args_is_help=True,
    )
    family.command(name="add")(add_command)
    family.command(name="list")(list_command)
    family.command(name="revoke")(revoke_command)
    app.add_typer(family, name="node")


def add_command(
    name: NodeArgument,
    config: ConfigOption = None,
    folder: FolderOption = None,
    listens: ListensOption = False,
    as_json: JsonOption = False,
) -> None:
    """Make a login that may publish on the node's own topics and its taps' only; shown once."""
    from weirwatch.cli.desk import print_json
    from weirwatch.config import Overrides, load
    from weirwatch.domain.errors import ConfigError
    from weirwatch.ingest.broker_logins import BrokerLogins

    settings = load(config_path(config), Overrides(without_credentials=True))
    root = settings.broker.root
    logins = BrokerLogins(_folder(settings.service.data_dir, folder), root, settings.taps)
    if listens:
        password = logins.add_listener(name)
        if as_json:
            print_json({"listener": name, "username": name, "password": password, "topic": root})
        else:
            typer.echo(_FOR_LISTENER.format(name=name, password=password, root=root))
        return
    known = sorted({f"{channel.system}/{channel.node}" for channel in settings.channels})
    if name not in known:
        raise ConfigError(f"no channel belongs to a node {name!r}: known are {', '.join(known)}")
    password = logins.add(name)
    topic = f"{root}/{name}"
    if as_json:
        print_json({"node": name, "username": name, "password": password, "topic": topic})
        return
    taps = "".join(f"tap        {tapped}\n" for tapped in logins.topics(name))
    typer.echo(
        _SNIPPET.format(name=name, password=password, topic=topic, taps=taps, folder=logins.folder)
    )


def list_command(
    config: ConfigOption = None, folder: FolderOption = None, as_json: JsonOption = False
) -> None:
    """Show which nodes and listeners have a login."""
    from weirwatch.cli.desk import print_json
    from weirwatch.config import Overrides, load
    from weirwatch.ingest.broker_logins import BrokerLogins

    settings = load(config_path(config), Overrides(without_credentials=True))
    place = _folder(settings.service.data_dir, folder)
    logins = BrokerLogins(place, settings.broker.root, settings.taps)
    nodes, listeners = logins.nodes(), logins.listeners()
    if as_json:
        print_json({"items": [*nodes, *listeners], "next": None})
    else:
        told = [*nodes, *(f"{name} (listens only)" for name in listeners)]
        typer.echo("\n".join(told) or "No node has a login.")


def revoke_command(
    name: NodeArgument, config: ConfigOption = None, folder: FolderOption = None
) -> None:
    """Take a login away; mosquitto must read its files again."""
    from weirwatch.config import Overrides, load
    from weirwatch.ingest.broker_logins import BrokerLogins

    settings = load(config_path(config), Overrides(without_credentials=True))
    place = _folder(settings.service.data_dir, folder)
    logins = BrokerLogins(place, settings.broker.root, settings.taps)
    logins.revoke(name)
    typer.echo(f"{name} has no login any more, once mosquitto has read its files: kill -HUP it.")


def _folder(data_dir: Path, given: Path | None) -> Path:
    """Return the folder, whole: what is shown of it is pasted into other programs' files."""
    return given.absolute() if given is not None else data_dir / "mosquitto"


_SNIPPET = """\
# For the node; the password is shown this once.
username   {name}
password   {password}
publish    {topic}/readings     QoS 1
connection {topic}/connection   retained, QoS 1, true; and false as its last will
{taps}TLS        port 8883, with the certificate of your own authority

# For mosquitto (see deploy/mosquitto.conf), then kill -HUP it:
allow_anonymous false
password_file {folder}/passwords
acl_file {folder}/acl

# For the service, in its configuration:
[broker]
credentials_file = "{folder}/service-login.toml"\
"""
_FOR_LISTENER = """\
# The login of {name}; the password is shown this once. It reads {root}/# and publishes nothing.
# In a file of its own that {name} alone can read, named in its [broker] as credentials_file:
username = "{name}"
password = "{password}"

# Mosquitto knows it once it has read its files again: kill -HUP it.\
"""
