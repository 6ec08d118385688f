"""The status as one JSON document, and in a terminal."""

from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import Console
from rich.text import Text

from weirwatch.cli.alarm_view import print_list
from weirwatch.cli.desk import Desk
from weirwatch.cli.words import ago_text, console, plain_table, rounded, time_text, value_text
from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Channel
from weirwatch.pipeline.live_drill_words import drill_sentence
from weirwatch.pipeline.local_time import duration
from weirwatch.pipeline.queries import alarms_json, channels_json, systems_json

Json = Mapping[str, Any]


def collect(desk: Desk) -> Json:
    """Return the whole status; what the file does not hold yet is an empty list."""
    health, why_not = desk.health()
    now = desk.now(health)
    document: dict[str, Any] = {
        "running": health is not None,
        "why_not": why_not,
        "config": str(desk.settings.source),
        "data_dir": str(desk.settings.service.data_dir),
        "health": health,
        "note": "",
    }
    try:
        return document | {
            "systems": systems_json(desk.archive, desk.settings)["items"],
            "alarms": alarms_json(desk.archive, desk.settings, desk.catalogue)["items"],
            "channels": channels_json(desk.archive, desk.settings, now)["items"],
            "quarantine": dict(desk.archive.quarantine_counts()),
        }
    except ConfigError as error:  # no file yet
        empty: dict[str, Any] = {"systems": [], "alarms": [], "channels": [], "quarantine": {}}
        return document | empty | {"note": str(error)}


def print_status(status: Json, desk: Desk) -> None:
    """Print the status for people."""
    out = console()
    _print_service(out, status, desk)
    if status["note"]:
        out.print(f"\n{status['note']}")
        return
    out.print()
    print_list(status["alarms"], desk, whole=False)
    out.print()
    _print_nodes(out, status["systems"], desk.now(status["health"]))
    _print_channels(out, status["channels"], desk)
    if status["quarantine"]:
        counts = ", ".join(f"{count} {code}" for code, count in status["quarantine"].items())
        out.print(f"Quarantined since the file was made: {counts}")


def _print_service(out: Console, status: Json, desk: Desk) -> None:
    health = status["health"]
    if health is None:
        out.print(Text.assemble(("NOT RUNNING", "bold reverse"), f"  {status['why_not']}"))
        out.print("What follows is what was recorded last.")
    else:
        word = "Running" if health["status"] == "ok" else "RUNNING WITH PROBLEMS"
        zone = desk.settings.service.time_zone
        since = time_text(health["started_at"], zone)
        out.print(Text.assemble((word, "bold"), f"  since {since}"))
        for problem in health["problems"]:
            out.print(Text(f"  ! {problem}", "bold"))
        drill = drill_sentence(health.get("drill"), zone)
        if drill:
            out.print(Text(f"  ! {drill}", "bold"))
        if (health.get("notice_test") or {}).get("reminder"):
            out.print(f"  Due: {health['notice_test']['reminder']}")
        if health.get("not_in_force"):
            out.print(Text(f"  ! {health['not_in_force']}"))
        broker = health["broker"]
        link = "connected" if broker["connected"] else "NOT CONNECTED"
        out.print(f"Broker  {broker['kind']} at {broker['address']}, {link}. {broker['limits']}")
        out.print(f"Counts  {_counts(health['counts'])}")
    out.print(f"Data    {status['data_dir']}")


def _counts(counts: Json) -> str:
    both = {**counts, **counts.get("store", {})}
    plain = {key: value for key, value in both.items() if isinstance(value, int) and value}
    return ", ".join(f"{value} {key.replace('_', ' ')}" for key, value in plain.items()) or "none"


def _print_nodes(out: Console, systems: Sequence[Json], now: Micros) -> None:
    nodes = [node for system in systems for node in system["nodes"]]
    if not nodes:
        return
    table = plain_table("Node", "Connection", "Power", "Since")
    for node in nodes:
        word = "connected" if node["connected"] else "LOST"
        table.add_row(node["id"], word, node["power"] or "–", ago_text(node["since"], now))
    out.print(table)
    out.print()


def _print_channels(out: Console, channels: Sequence[Json], desk: Desk) -> None:
    if all(channel["time"] is None for channel in channels):
        out.print("No reading has arrived yet. docs/wire.md says how a node sends them.")
        return
    titles = {v.id: v.title for v in desk.settings.plant.vessels} if desk.settings.plant else {}
    whole = len(desk.settings.systems) > 1  # then the system's name is needed too
    table = plain_table("Channel", "Value", "Quality", "Age", numbers=("Value", "Age"))
    vessels = dict.fromkeys(channel["vessel"] for channel in channels)
    known = {channel.id: channel for channel in desk.settings.channels}
    order = {vessel: at for at, vessel in enumerate(titles)}  # as the water flows, then the rest
    for vessel in sorted(vessels, key=lambda vessel: order.get(vessel or "", len(order))):
        table.add_row(
            Text(titles.get(vessel or "", vessel or "Room"), "bold")
        )  # ids need the width
        for channel in channels:
            if channel["vessel"] == vessel:
                table.add_row(*_channel_row(channel, known.get(channel["id"]), whole=whole))
    out.print(table)


def _channel_row(channel: Json, known: Channel | None, *, whole: bool) -> tuple[str, str, str, str]:
    age = channel["age_s"]
    return (
        f"  {channel['id'] if whole else channel['id'].split('/', 1)[1]}",
        value_text(rounded(channel["value"], known), channel["unit"], channel["states"]),
        channel["quality"] or "none yet",
        "–" if age is None else duration(round(age * 1_000_000)),
    )
