"""`weirwatch replay`: try rules on recorded readings, in virtual time."""

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from weirwatch.domain.alarm import Event
from weirwatch.domain.instant import from_rfc3339, to_rfc3339


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(name="replay")(replay_command)


def replay_command(
    readings: Annotated[Path, typer.Option(help="CSV: time,channel,value[,quality]")],
    config: Annotated[
        Path, typer.Option(envvar="WEIRWATCH_CONFIG", help="configuration file")
    ] = Path("weirwatch.toml"),
    commands: Annotated[
        Path | None, typer.Option(help="CSV: time,command,rule[,minutes,comment]")
    ] = None,
    until: Annotated[str | None, typer.Option(help="end of the run, RFC 3339")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="one JSON object a line")] = False,
) -> None:
    """Run recorded readings through the real alarm engine and print every transition.

    Needs no broker and leaves no file behind. Exit code 1 when a command was illegal.
    """
    from weirwatch.config import load
    from weirwatch.domain.book import make_ready
    from weirwatch.domain.errors import ConfigError
    from weirwatch.domain.rule import RuleBook
    from weirwatch.pipeline.recording import read_commands, read_readings
    from weirwatch.pipeline.replay import Refusal, replay

    settings = load(config)
    channels = {channel.id: channel for channel in settings.channels}
    rules = {rule.id: rule for rule in settings.rules}
    book = make_ready(RuleBook(rules, channels, settings.service.time_zone))
    try:
        end = None if until is None else from_rfc3339(until)
    except ValueError as trouble:
        raise ConfigError(f"--until {until!r}: {trouble}") from trouble
    given = [] if commands is None else read_commands(commands)
    refused = False
    for found in replay(book, read_readings(readings, channels), given, end):
        if isinstance(found, Refusal):
            refused = True
            print(f"{to_rfc3339(found.time)} {found.sentence}", file=sys.stderr)  # noqa: T201
        else:
            print(_as_json(found) if as_json else _as_text(found))  # noqa: T201
    if refused:
        raise typer.Exit(1)


def _as_json(event: Event) -> str:
    shown: dict[str, Any] = {
        "time": to_rfc3339(event.time),
        "rule": event.rule,
        "from": event.from_state,
        "to": event.to_state,
        "service_from": event.service_from,
        "service_to": event.service_to,
        "value": event.value,
        "annunciated": event.annunciated,
    }
    return json.dumps(shown)


def _as_text(event: Event) -> str:
    value = "" if event.value is None else f" value {event.value:g}"
    bell = " ANNUNCIATED" if event.annunciated else ""
    service = (
        f" [{event.service_from} → {event.service_to}]"
        if event.service_from != event.service_to
        else ""
    )
    return (
        f"{to_rfc3339(event.time)} {event.rule}: {event.from_state} → {event.to_state}"
        f"{service}{value}{bell}"
    )
