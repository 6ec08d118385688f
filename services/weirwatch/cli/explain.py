"""`weirwatch alarms explain`: why an alarm is in its state."""

from collections.abc import Mapping, Sequence
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import typer

from weirwatch.cli.options import ConfigOption, DataOption, JsonOption, places


def explain_command(
    context: typer.Context,
    rule: Annotated[str, typer.Argument(metavar="RULE", help="Id of the alarm's rule.")],
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say why an alarm is in its state: readings, limit, delay, what keeps it quiet."""
    from weirwatch.cli.desk import desk, known_rule, print_json
    from weirwatch.pipeline.explain import with_record

    with desk(*places(context, config, data)) as open_desk:
        with known_rule(open_desk, rule):
            found = with_record(open_desk.core.explain(rule), open_desk.archive)
        if as_json:
            print_json(found)
        else:
            switches = [channel for channel in open_desk.settings.channels if channel.is_switch]
            states = {channel.id: channel.states for channel in switches}.get(found["channel"])
            _print(found, states, open_desk.settings.service.time_zone)


def _print(found: Mapping[str, Any], states: Sequence[str] | None, zone: ZoneInfo) -> None:
    from weirwatch.cli.words import console, time_text, value_text

    out = console()
    out.print(f"{found['title']} ({found['id']}, {found['kind']})")
    for sentence in found["why"]:
        out.print(f"  {sentence}")
    out.print()
    for name, fact in _facts(found, zone):
        out.print(f"{name:<14}{fact}")
    for reading in found["readings"]:
        told = value_text(reading["value"], found["unit"], states)
        doubt = "" if reading["quality"] == "good" else f"  {reading['quality']}"
        out.print(f"{'Reading':<14}{time_text(reading['time'], zone)}  {told}{doubt}")
    for event in found["events"]:
        who = f", {event['who']}" if event["who"] else ""
        bell = ", annunciated" if event["annunciated"] else ""
        out.print(f"{'Event':<14}{time_text(event['time'], zone)}  {event['kind']}{who}{bell}")


def _facts(found: Mapping[str, Any], zone: ZoneInfo) -> list[tuple[str, str]]:
    from weirwatch.cli.words import time_text

    facts = []
    if found["limit_text"]:
        facts.append(("Limit", str(found["limit_text"])))
    if found["deadband"]:
        facts.append(("Deadband", f"{found['deadband']:g} {found['unit']}".rstrip()))
    for term in found["while"]:
        facts.append(("While", f"{term['term']}: {'holds' if term['holds'] else 'does not hold'}"))
    for cause in found["suppression"]["causes"]:
        facts.append(
            (
                "Suppressed by",
                f"{cause['rule']}: {'stands' if cause['stands'] else 'does not stand'}",
            )
        )
    service = found["service"]
    if service["who"]:
        since = time_text(service["since"], zone)
        said = f": {service['comment']}" if service["comment"] else ""
        facts.append((str(service["state"]).capitalize(), f"by {service['who']}, {since}{said}"))
    return facts
