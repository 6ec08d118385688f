"""The home of what goes wrong in silence between nodes, broker and service, and of its cures."""

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.wording import counted
from weirwatch.ports import Archive, Quarantined
from weirwatch.settings import Settings

RECENT: Micros = 86_400 * SECOND
_GRACE: Micros = 60 * SECOND
_LOOKED_AT = 1000
_LEAST_QUEUE = 100_000
_LEAST_WINDOW = 100
_CLOCK = ("in-the-future", "ancient")
_OWN_WORDS = (*_CLOCK, "wrong-unit")  # the rest is told in the words of the quarantine


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong.

    Attributes:
        code: stable word: delivers-nothing, clock-skew, wrong-unit, unusable, unit-changed,
            retained-junk, no-persistence, queue-limit, window-limit, damaged-history,
            damaged-file.
        about: node, topic or file.
    """

    code: str
    about: str
    sentence: str
    cure: str


def examine(archive: Archive, settings: Settings, now: Micros) -> list[Finding]:
    """Return what the record shows of the last day."""
    recent = [q for q in archive.quarantined(_LOOKED_AT) if now - q.received < RECENT]
    return [
        *_silent_nodes(archive, settings, now),
        *_skewed_clocks(recent),
        *_wrong_units(recent),
        *_unusable(recent, settings.broker.root),
        *_other_units(archive, settings),
    ]


def _other_units(archive: Archive, settings: Settings) -> Iterator[Finding]:
    stored = {channel.id: channel.unit for channel in archive.channels()}
    newest = archive.newest()
    for channel in settings.channels:
        unit = stored.get(channel.id, channel.unit)
        if channel.id in newest and unit != channel.unit:
            said = f"its history is in {unit!r}, and it is configured in {channel.unit!r}"
            cure = "the service does not start so: keep that unit, or give the channel a new id"
            yield Finding("unit-changed", channel.id, said, cure)


def examine_damage(parts: Sequence[str], about: str) -> Iterator[Finding]:
    """Yield the parts of the history whose check sums do not fit."""
    for part in parts:
        yield Finding(
            "damaged-history",
            about,
            f"{part}: not what was written; it is left out of every answer, all else answers",
            "check the disk or card; a copy made before it (weirwatch backup) may still have it",
        )


def damaged_file(about: str, why: str) -> Finding:
    """Return that the record cannot be read, or not all of it."""
    return Finding(
        "damaged-file",
        about,
        f"the record cannot be read: {why}",
        "copy the data folder first, whatever you do then; weirwatch restore puts a copy that was"
        " made before in its place",
    )


def examine_retained(
    retained: Iterable[tuple[str, bytes]], settings: Settings
) -> Iterator[Finding]:
    """Yield retained messages that should not be, as (topic, payload) from the broker."""
    root = settings.broker.root
    nodes = {f"{channel.system}/{channel.node}" for channel in settings.channels}
    rules = {rule.id for rule in settings.rules}
    for topic, _ in retained:
        below = topic.removeprefix(f"{root}/")
        cure = f"mosquitto_pub -r -n -q 1 -t '{topic}' takes it back"
        if below.endswith("/readings"):
            said = "readings are retained: they look new at each reconnect and are never judged"
            yield Finding("retained-junk", topic, said, f"publish without retain; {cure}")
        elif below.endswith("/connection"):
            if below.removesuffix("/connection") not in (nodes | {"service"}):
                yield Finding("retained-junk", topic, "no channel belongs to that node", cure)
        elif (found := re.fullmatch(r"[^/]+/alarm/(.+)", below)) and found[1] not in rules:
            yield Finding("retained-junk", topic, "no rule has that id any more", cure)


def examine_broker_conf(text: str, about: str) -> Iterator[Finding]:
    """Yield what a mosquitto configuration lacks; the last word of a key counts."""
    keys: dict[str, str] = {}
    for line in text.splitlines():
        key, _, value = line.strip().partition(" ")
        if key and not key.startswith("#"):
            keys[key] = value.strip()
    if keys.get("persistence") != "true":
        said = (
            "persistence is off: what nodes sent while the service was away is lost with mosquitto"
        )
        yield Finding("no-persistence", about, said, "write: persistence true")
    queue = _number(keys, "max_queued_messages", 1000)
    if 0 < queue < _LEAST_QUEUE:
        said = f"keeps {queue} messages while the service is away, and drops the rest in silence"
        yield Finding("queue-limit", about, said, "write: max_queued_messages 0")
    window = _number(keys, "max_inflight_messages", 20)
    if 0 < window < _LEAST_WINDOW:
        said = f"sends {window} messages before it waits for the service's commit"
        yield Finding("window-limit", about, said, "write: max_inflight_messages 1000")


def _silent_nodes(archive: Archive, settings: Settings, now: Micros) -> Iterator[Finding]:
    newest = archive.newest()
    for node, state in sorted(archive.nodes().items()):
        own = [c for c in settings.channels if f"{c.system}/{c.node}" == node]
        if not state.connected or not own:
            continue
        patience = max(c.silent_after or 0 for c in own) + settings.service.commit_every + _GRACE
        heard = max((newest[c.id].time for c in own if c.id in newest), default=None)
        if now - state.since > patience and (heard is None or heard < state.since - patience):
            yield Finding(
                "delivers-nothing",
                node,
                "says that it is connected, and no reading has come since",
                "look at its topic and units (weirwatch status shows the quarantine) and at the"
                " broker's ACL: a publish that is not allowed is dropped in silence",
            )


def _skewed_clocks(recent: Sequence[Quarantined]) -> Iterator[Finding]:
    for topic, count in _by_topic(recent, _CLOCK).items():
        carry = "carries times" if count == 1 else "carry times"
        said = f"{_messages(count)} of the last day {carry} that cannot be"
        yield Finding("clock-skew", topic, said, "set the node's clock (NTP), or send no times")


def _wrong_units(recent: Sequence[Quarantined]) -> Iterator[Finding]:
    reasons = {q.topic: q.reason for q in reversed(recent) if q.code == "wrong-unit"}
    for topic, count in _by_topic(recent, ("wrong-unit",)).items():
        have = "has" if count == 1 else "have"
        said = f"{_messages(count)} of the last day {have} a wrong unit ({reasons[topic]})"
        yield Finding("wrong-unit", topic, said, "correct the unit at the node or in the channel")


def _unusable(recent: Sequence[Quarantined], root: str) -> Iterator[Finding]:
    others = [q for q in recent if q.code not in _OWN_WORDS]
    newest = {q.topic: q for q in reversed(others)}  # the archive tells the newest first
    for topic, count in sorted(Counter(q.topic for q in others).items()):
        reason = newest[topic].reason.rstrip(".")
        said = f"{_messages(count)} of the last day could not be used; the newest: {reason}"
        cure = "correct what the node sends, or pointer, scale and words of its [[tap]]"
        if topic.startswith(f"{root}/"):  # what is heard elsewhere has a tap
            cure = "send what docs/wire.md says to that topic, or add its [[channel]] or [[tap]]"
        yield Finding("unusable", topic, said, cure)


def _messages(count: int) -> str:
    return counted(count, "message")


def _by_topic(recent: Sequence[Quarantined], codes: Sequence[str]) -> Mapping[str, int]:
    return dict(sorted(Counter(q.topic for q in recent if q.code in codes).items()))


def _number(keys: Mapping[str, str], key: str, default: int) -> int:
    text = keys.get(key, "")
    return int(text) if text.isascii() and text.isdigit() else default
