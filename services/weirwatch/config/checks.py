"""Do the tables of the file fit together? Everything but rules; each yields its problems."""

import tomllib
from collections.abc import Iterator
from pathlib import Path

from weirwatch.config.draft import Draft
from weirwatch.config.entries import Entry
from weirwatch.config.models import ChannelConfig, TapConfig
from weirwatch.config.problems import NO_VALUE, Problem, did_you_mean
from weirwatch.config.units import unit_fault
from weirwatch.config.values import LOOPBACK, parse_listen
from weirwatch.domain.quantity import convert, known_unit


def check_tables(draft: Draft) -> Iterator[Problem]:
    """Yield what is wrong between systems, channels, taps, recipients and files."""
    yield from _required(draft)
    yield from _open_broker(draft)
    for channel in draft.channels:
        yield from _channel(channel, draft)
    for tap in draft.taps:
        yield from _tap(tap, draft)
    for recipient in draft.recipients:
        pathless = recipient.config.kind == "file" and recipient.config.path is None
        if pathless and recipient.whole("kind", "path"):
            cure = 'Add path = "notices.jsonl"'
            yield Problem(recipient.at("path"), 'is missing for kind = "file"', cure)
    yield from _files(draft)


def _required(draft: Draft) -> Iterator[Problem]:
    places = {problem.where for problem in draft.problems}
    if not draft.systems and "system" not in places:
        cure = 'Add [[system]] with for example id = "harbour-hall"'
        yield Problem("system", "there is none", cure)
    if not draft.channels and "channel" not in places:
        cure = "Add [[channel]] with id, quantity and unit"
        yield Problem("channel", "there is none", cure)


def _open_broker(draft: Draft) -> Iterator[Problem]:
    broker = draft.broker.config
    if not draft.broker.whole("url", "listen") or broker.url != "auto":
        return
    if parse_listen(broker.listen)[0] not in LOOPBACK:
        what = "would take readings from every machine of the network: our own broker has no logins"
        cure = 'Write "127.0.0.1:1883", or run a broker of yours and name it in url'
        yield Problem(draft.broker.at("listen"), what, cure, broker.listen)


def _channel(entry: Entry[ChannelConfig], draft: Draft) -> Iterator[Problem]:
    channel = entry.config
    system = channel.id.split("/")[0]
    if entry.whole("id") and system not in draft.ids["system"] and draft.ids["system"]:
        cure = did_you_mean(system, draft.ids["system"])
        yield Problem(entry.at("id"), f'names a system "{system}" that is not there', cure)
    if entry.whole("quantity", "unit"):
        found = unit_fault(channel.quantity, channel.unit)
        if found is not None:
            yield Problem(entry.at("unit"), *found, channel.unit or NO_VALUE)
    yield from _channel_numbers(entry)
    yield from _channel_vessel(entry, draft)


def _channel_numbers(entry: Entry[ChannelConfig]) -> Iterator[Problem]:
    channel = entry.config
    if channel.valid is not None and channel.valid[0] >= channel.valid[1] and entry.whole("valid"):
        cure = "Write [lowest, highest]"
        yield Problem(entry.at("valid"), "does not go from low to high", cure, channel.valid)
    if channel.states is not None and not channel.is_switch:
        yield Problem(entry.at("states"), "are of a switch only", "Leave it out", channel.states)
    for key in ("max_change_per_s", "frozen_after_s"):
        if channel.is_switch and getattr(channel, key) is not None:
            what = "cannot be told of a switch, which turns at once and may rightly stay as it is"
            yield Problem(entry.at(key), what, "Leave it out", getattr(channel, key))
    every, silent = channel.expected_every_s, channel.silent_after_s
    if silent is None or not entry.whole("expected_every_s", "silent_after_s"):
        return
    if every is None:
        cure = (
            "Add expected_every_s, or leave silent_after_s out for a channel that reports "
            "on change only"
        )
        yield Problem(entry.at("silent_after_s"), "needs expected_every_s", cure, silent)
    elif silent < every:
        cure = f"Write more than expected_every_s = {every:g}; three times it is usual"
        what = "is shorter than the time between two readings"
        yield Problem(entry.at("silent_after_s"), what, cure, silent)


def _channel_vessel(entry: Entry[ChannelConfig], draft: Draft) -> Iterator[Problem]:
    vessel = entry.config.vessel
    known = draft.ids.get("vessel", frozenset())
    if draft.plant is None or not vessel or not known or not entry.whole("vessel"):
        return
    if vessel not in known:
        cure = did_you_mean(vessel, known)
        yield Problem(entry.at("vessel"), "is no vessel of the plant", cure, vessel)


def _tap(entry: Entry[TapConfig], draft: Draft) -> Iterator[Problem]:
    tap = entry.config
    root = draft.broker.config.root
    ours = tap.topic.split("/")[0] in ("#", "+") or f"{tap.topic}/".startswith(f"{root}/")
    if ours and entry.whole("topic") and draft.broker.whole("root"):
        cure = f"Name the foreign node's own topic; what begins with {root}/ needs no tap"
        yield Problem(entry.at("topic"), "catches Weirwatch's own topics", cure, tap.topic)
    if tap.time_pointer is not None and tap.pointer is None and entry.whole("pointer"):
        cure = "Add pointer for the value, or leave time_pointer out"
        yield Problem(entry.at("time_pointer"), "needs pointer", cure, tap.time_pointer)
    if tap.scale == 0 and entry.whole("scale"):
        yield Problem(entry.at("scale"), "makes every value 0", "Write 1 for no scaling", 0)
    if entry.whole("channel"):
        yield from _tap_channel(entry, draft)


def _tap_channel(entry: Entry[TapConfig], draft: Draft) -> Iterator[Problem]:
    tap = entry.config
    if tap.channel not in draft.ids["channel"]:
        cure = did_you_mean(tap.channel, draft.ids["channel"])
        yield Problem(entry.at("channel"), "is no channel of this file", cure, tap.channel)
        return
    channel = draft.channel(tap.channel)
    if channel is None or not tap.unit or not entry.whole("unit"):
        return
    if not known_unit(tap.unit):
        what, cure = unit_fault("", tap.unit) or ("", "")
        yield Problem(entry.at("unit"), what, cure, tap.unit)
        return
    try:
        convert(1.0, tap.unit, channel.unit)
    except ValueError:
        cure = "Write the unit in which the foreign node sends, or leave it out"
        what = f"cannot become the channel's {channel.unit or 'plain number'}"
        yield Problem(entry.at("unit"), what, cure, tap.unit)


def _files(draft: Draft) -> Iterator[Problem]:
    broker = draft.broker.config
    if broker.ca_file is not None and not _is_file(draft.folder / broker.ca_file):
        cure = "Write the path of a PEM file; a relative one starts at this file's folder"
        yield Problem(draft.broker.at("ca_file"), "there is no such file", cure, broker.ca_file)
    if broker.credentials_file is not None and draft.broker.whole("credentials_file"):
        found = _credentials_fault(draft.folder / broker.credentials_file)
        if found is not None:
            cure = 'Write two lines in it: username = "…" and password = "…"'
            where = draft.broker.at("credentials_file")
            yield Problem(where, found, cure, broker.credentials_file)


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # such as a name that is too long
        return False


def _credentials_fault(path: Path) -> str | None:
    """Say what is wrong with the file, and never what stands in it."""
    try:
        table = tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        return f"cannot be read: {error.strerror or 'not a file'}"
    except (ValueError, RecursionError):
        return "is not TOML text"
    if table.keys() != {"username", "password"}:
        return "does not hold exactly username and password"
    if not all(isinstance(value, str) for value in table.values()):
        return "holds something that is not a text in quotes"
    return None
