"""`weirwatch replay`: try rules on recorded readings, in virtual time."""

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from weirwatch.cli.options import DataOption
from weirwatch.domain.alarm import Event
from weirwatch.domain.instant import to_rfc3339


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(name="replay")(replay_command)


def replay_command(
    readings: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="CSV: time,channel,value[,quality].", show_default=False),
    ] = None,
    config: Annotated[
        Path, typer.Option(envvar="WEIRWATCH_CONFIG", metavar="FILE", help="Configuration file.")
    ] = Path("weirwatch.toml"),
    commands: Annotated[
        Path | None, typer.Option(metavar="FILE", help="CSV: time,command,rule[,minutes,comment].")
    ] = None,
    until: Annotated[
        str | None, typer.Option(metavar="TIME", help="End of the run, RFC 3339.")
    ] = None,
    from_store: Annotated[
        bool, typer.Option("--from-store", help="What the service has recorded, instead of a file.")
    ] = False,
    start: Annotated[
        str | None,
        typer.Option("--from", metavar="TIME", help="RFC 3339, or a span before --to.  [7d]"),
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", metavar="TIME", help="RFC 3339, or a span ago.  [now]")
    ] = None,
    data: DataOption = None,
    changes: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="RULE.KEY=VALUE", help="Change a rule for this run."),
    ] = None,
    sweep: Annotated[
        str | None,
        typer.Option(metavar="RULE", help="Try deadbands and on-delays of one rule."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a line.")] = False,
) -> None:
    """Run recorded readings through the real alarm engine and print every transition.

    Readings come from a CSV file or, with --from-store, from the history of the service. With
    --sweep it prints how often one rule would have sounded with other deadbands and on-delays, and
    how much later. Needs no broker and leaves no file behind. Exit code 1 when a command was
    illegal.
    """
    from weirwatch.cli.backtest import Source, print_sweep, run
    from weirwatch.config import Overrides, load
    from weirwatch.config.document import parse_rule_value
    from weirwatch.domain.errors import ConfigError

    if (readings is None) is not from_store:
        raise ConfigError("give either --readings FILE.csv or --from-store")
    if from_store and (commands is not None or until is not None):
        raise ConfigError(
            "--commands and --until go with --readings; --from-store has --from, --to"
        )
    if not from_store and (start is not None or end is not None):
        raise ConfigError("--from and --to go with --from-store; --readings has --until")
    values = tuple(parse_rule_value(text) for text in changes or [])
    settings = load(config, Overrides(data_dir=data, rule_values=values))
    source = Source(settings, readings, commands, until, start, end)
    if sweep is not None:
        print_sweep(source, sweep, as_json=as_json)
        return
    refused = False
    for found in run(source):
        if isinstance(found, Event):
            print(_as_json(found) if as_json else _as_text(found))  # noqa: T201
        else:
            refused = True
            print(f"{to_rfc3339(found.time)} {found.sentence}", file=sys.stderr)  # noqa: T201
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
