"""The configuration file of the independent watcher: its own, on its own machine."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, Field

from weirwatch.config.document import read_document
from weirwatch.config.entries import Entry, parse
from weirwatch.config.models import BrokerConfig
from weirwatch.config.problems import Problem, did_you_mean, fault
from weirwatch.config.recipient_checks import check_heartbeat, check_kind
from weirwatch.config.recipient_models import HeartbeatConfig, RecipientConfig
from weirwatch.config.values import FilePath, Listen, Section, TimeZone, Title, parse_listen
from weirwatch.domain.errors import ConfigError
from weirwatch.settings import BrokerSettings, HeartbeatSettings, RecipientSettings

_CURE = "Name the right one with --config; docs/notices.md has one to start from."
_TABLES = ("farwatch", "broker", "recipient", "heartbeat")


def _address(text: str) -> str:
    if text and (not text.startswith(("http://", "https://")) or "@" in text):
        raise fault("is not the address of an API", 'Write "http://hall.example:8080"')
    return text


class FarwatchConfig(Section):
    """`[farwatch]`."""

    title: Title = Field("", examples=["Harbour Hall"])
    data_dir: FilePath = Field("farwatch-data", examples=["farwatch-data"])
    time_zone: TimeZone = Field("UTC", examples=["Europe/Oslo"])
    api: Annotated[str, AfterValidator(_address)] = Field("", examples=["http://hall.example:8080"])
    token_file: FilePath | None = Field(None, examples=["farwatch-token"])
    outside: list[Listen] = Field(default_factory=list, examples=[["192.0.2.1:443"]])


@dataclass(frozen=True, slots=True)
class FarwatchSettings:
    """Everything that one run of the watcher needs to know.

    Attributes:
        api: address of the site's API; empty: not looked at.
        heartbeat: signs of life of the watcher itself; None: none are sent.
        outside: addresses that do not belong to the site: they tell a dark site from a cut line.
    """

    title: str
    data_dir: Path
    zone: ZoneInfo
    broker: BrokerSettings
    api: str
    token_file: Path | None
    outside: tuple[tuple[str, int], ...]
    recipients: tuple[RecipientSettings, ...]
    heartbeat: HeartbeatSettings | None = None


def load_farwatch(path: Path) -> FarwatchSettings:
    """Return the settings of the watcher's file.

    Raises:
        ConfigError: with every mistake of the file.
    """
    document = read_document(path, _CURE)
    folder = path.absolute().parent
    problems = [
        Problem(key, "is not a known section", did_you_mean(key, _TABLES))
        for key in document
        if key not in _TABLES
    ]
    far, found = parse(document.get("farwatch", {}), FarwatchConfig, "farwatch")
    broker, more = parse(document.get("broker", {}), BrokerConfig, "broker")
    heart, yet_more = parse(document.get("heartbeat", {}), HeartbeatConfig, "heartbeat")
    problems += [*found, *more, *yet_more, *([] if heart is None else check_heartbeat(heart))]
    people = _recipients(document, problems)
    if broker is not None and broker.config.url == "auto" and broker.whole("url"):
        cure = 'Write url = "mqtt://hall.example:1883": that of the broker at the site'
        problems.append(Problem("broker.url", "names no broker to watch", cure))
    if problems or far is None or broker is None or heart is None:
        raise ConfigError([problem.sentence(str(path)) for problem in problems])
    config = far.config
    return FarwatchSettings(
        title=config.title,
        data_dir=(folder / config.data_dir).absolute(),
        zone=ZoneInfo(config.time_zone),
        broker=broker.config.to_domain(folder),
        api=config.api,
        token_file=None if config.token_file is None else folder / config.token_file,
        outside=tuple(parse_listen(address) for address in config.outside),
        recipients=tuple(entry.config.to_domain(folder) for entry in people),
        heartbeat=heart.config.to_domain(folder),
    )


def _recipients(
    document: Mapping[str, Any], problems: list[Problem]
) -> Sequence[Entry[RecipientConfig]]:
    raw = document.get("recipient", [])
    if not isinstance(raw, list) or not raw:
        cure = "Add [[recipient]] with id and kind"
        problems.append(Problem("recipient", "there is none: nobody would be told", cure))
        return ()
    entries = []
    for number, item in enumerate(raw, start=1):
        entry, found = parse(item, RecipientConfig, f"recipient[{number}]")
        problems += found
        if entry is not None:
            problems += check_kind(entry)
            entries.append(entry)
    names = [entry.config.id for entry in entries]
    if len(set(names)) < len(names):
        problems.append(Problem("recipient", "two have the same id", "Give each its own"))
    return entries
