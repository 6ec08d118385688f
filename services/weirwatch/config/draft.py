"""The whole file read by its models, table by table, before anything is compared."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeGuard, TypeVar

from weirwatch.config.call_models import HolidayConfig, NoticeConfig, RosterConfig
from weirwatch.config.catalogue_rules import KEY as FROM_CATALOGUE
from weirwatch.config.derived_models import DerivedConfig
from weirwatch.config.device_models import DeviceConfig
from weirwatch.config.entries import NO_HINTS, Entry, key_at, keys_of, parse
from weirwatch.config.living_models import ReactorConfig, StockingConfig
from weirwatch.config.models import (
    BrokerConfig,
    ChannelConfig,
    HistoryConfig,
    RetentionConfig,
    ServiceConfig,
    SystemConfig,
    TapConfig,
    WebConfig,
)
from weirwatch.config.plant_models import (
    ChillerConfig,
    HeaterConfig,
    LoopConfig,
    OutageConfig,
    PlantConfig,
    PumpConfig,
    TopOffConfig,
    VesselConfig,
)
from weirwatch.config.problems import NO_VALUE, Problem, did_you_mean
from weirwatch.config.recipient_models import HeartbeatConfig, RecipientConfig
from weirwatch.config.rule_models import KINDS, AnyRuleConfig, RuleConfig
from weirwatch.config.upkeep_models import JobConfig, SupplyConfig
from weirwatch.config.values import Section
from weirwatch.config.work_models import PlannedWorkConfig

C = TypeVar("C", bound=Section)

_TABLES = ("service", "broker", "web", "history", "plant", "notice", "heartbeat")
_LISTS = (
    "system",
    "channel",
    "rule",
    "tap",
    "recipient",
    "roster",
    "holiday",
    "derived",
    "planned_work",
    "device",
    "job",
    "supply",
)
_PLANT_BELOW = (
    "vessel",
    "loop",
    "heater",
    "pump",
    "top_off",
    "outage",
    "chiller",
    "stocking",
    "reactor",
)
_OTHER_FILES = {
    "farwatch": "It has a file of its own, which weirwatch farwatch --config FILE judges and runs",
}
_PLANT_HINTS = {f"{key}s": f"Write [[plant.{key}]]" for key in _PLANT_BELOW[:3]}


@dataclass(frozen=True, slots=True)
class PlantDraft:
    """`[plant]` and the tables below it; None stands for what is missing or beyond use."""

    plant: Entry[PlantConfig]
    vessels: Sequence[Entry[VesselConfig]]
    loops: Sequence[Entry[LoopConfig]]
    heaters: Sequence[Entry[HeaterConfig]]
    pump: Entry[PumpConfig] | None
    top_off: Entry[TopOffConfig] | None
    outage: Entry[OutageConfig] | None
    chiller: Entry[ChillerConfig] | None
    stocking: Entry[StockingConfig] | None
    reactor: Entry[ReactorConfig] | None


@dataclass(frozen=True, slots=True)
class Draft:
    """Every table of the file that can be used at all.

    Attributes:
        ids: by list (`channel`, `rule`, `vessel`…) every id that the file names, even of tables
            that are beyond use: a reference to one of them is not a second mistake.
        places: how messages call the tables, in the order in which they are told.
        problems: what each table's own model complains of.
    """

    folder: Path
    service: Entry[ServiceConfig]
    broker: Entry[BrokerConfig]
    web: Entry[WebConfig]
    history: Entry[HistoryConfig]
    retention: Sequence[Entry[RetentionConfig]]
    systems: Sequence[Entry[SystemConfig]]
    channels: Sequence[Entry[ChannelConfig]]
    channels_by_id: Mapping[str, Entry[ChannelConfig]]
    rules: Sequence[Entry[AnyRuleConfig]]
    taps: Sequence[Entry[TapConfig]]
    recipients: Sequence[Entry[RecipientConfig]]
    notice: Entry[NoticeConfig]
    heartbeat: Entry[HeartbeatConfig]
    rosters: Sequence[Entry[RosterConfig]]
    holidays: Sequence[Entry[HolidayConfig]]
    derived: Sequence[Entry[DerivedConfig]]
    planned_works: Sequence[Entry[PlannedWorkConfig]]
    devices: Sequence[Entry[DeviceConfig]]
    jobs: Sequence[Entry[JobConfig]]
    supplies: Sequence[Entry[SupplyConfig]]
    plant: PlantDraft | None
    ids: Mapping[str, frozenset[str]]
    places: Sequence[str]
    problems: Sequence[Problem]

    def channel(self, channel_id: str) -> ChannelConfig | None:
        """Return the channel of that id, if it can be used."""
        entry = self.channels_by_id.get(channel_id)
        return None if entry is None else entry.config

    def channel_rules(self) -> Iterator[tuple[Entry[AnyRuleConfig], RuleConfig]]:
        """Yield the rules that watch a channel."""
        for entry in self.rules:
            if isinstance(entry.config, RuleConfig):
                yield entry, entry.config


def draft(document: Mapping[str, Any], folder: Path) -> Draft:
    """Return the document as its models read it."""
    reader = _Reader()
    reader.unknown(document, (*_TABLES, *_LISTS))
    service = reader.table(document, "service", ServiceConfig)
    broker = reader.table(document, "broker", BrokerConfig)
    web = reader.table(document, "web", WebConfig)
    history, retention = _history(document, reader)
    systems = reader.several(document, "system", SystemConfig)
    channels = reader.several(document, "channel", ChannelConfig)
    derived = reader.several(document, "derived", DerivedConfig)
    return Draft(
        folder=folder,
        service=service,
        broker=broker,
        web=web,
        history=history,
        retention=retention,
        systems=systems,
        channels=channels,
        channels_by_id=_by_id(channels, derived),
        rules=reader.rules(document),
        taps=reader.several(document, "tap", TapConfig),
        recipients=reader.several(document, "recipient", RecipientConfig),
        notice=reader.table(document, "notice", NoticeConfig),
        heartbeat=reader.table(document, "heartbeat", HeartbeatConfig),
        rosters=reader.several(document, "roster", RosterConfig),
        holidays=reader.several(document, "holiday", HolidayConfig),
        derived=derived,
        planned_works=reader.several(document, "planned_work", PlannedWorkConfig),
        devices=reader.several(document, "device", DeviceConfig),
        jobs=reader.several(document, "job", JobConfig),
        supplies=reader.several(document, "supply", SupplyConfig),
        plant=_plant(document, reader),
        ids={key: frozenset(ids) for key, ids in reader.all_ids().items()},
        places=reader.places,
        problems=reader.problems,
    )


def _history(
    document: Mapping[str, Any], reader: "_Reader"
) -> tuple[Entry[HistoryConfig], Sequence[Entry[RetentionConfig]]]:
    raw = document.get("history", {})
    if not isinstance(raw, dict):
        return reader.table(document, "history", HistoryConfig), ()
    own = {"history": {key: value for key, value in raw.items() if key != "retention"}}
    return (
        reader.table(own, "history", HistoryConfig),
        reader.several(raw, "retention", RetentionConfig, "history."),
    )


def _plant(document: Mapping[str, Any], reader: "_Reader") -> PlantDraft | None:
    raw = document.get("plant")
    if not isinstance(raw, dict):
        if raw is not None:
            reader.problems.append(
                Problem("plant", "is not a table", "Write its keys below a line [plant]", raw)
            )
        return None
    own = {"plant": {key: value for key, value in raw.items() if key not in _PLANT_BELOW}}
    return PlantDraft(
        plant=reader.table(own, "plant", PlantConfig, _PLANT_HINTS),
        vessels=reader.several(raw, "vessel", VesselConfig, "plant."),
        loops=reader.several(raw, "loop", LoopConfig, "plant."),
        heaters=reader.several(raw, "heater", HeaterConfig, "plant."),
        pump=reader.optional(raw, "pump", PumpConfig, "plant."),
        top_off=reader.optional(raw, "top_off", TopOffConfig, "plant."),
        outage=reader.optional(raw, "outage", OutageConfig, "plant."),
        chiller=reader.optional(raw, "chiller", ChillerConfig, "plant."),
        stocking=reader.optional(raw, "stocking", StockingConfig, "plant."),
        reactor=reader.optional(raw, "reactor", ReactorConfig, "plant."),
    )


def _by_id(
    channels: Sequence[Entry[ChannelConfig]], derived: Sequence[Entry[DerivedConfig]]
) -> Mapping[str, Entry[ChannelConfig]]:
    """Return channels by id, derived ones as the channels they are; one may lead to another."""
    found = {entry.config.id: entry for entry in channels if entry.whole("id")}
    for entry in derived:
        lead = next((found[c].config for c in entry.config.inputs.values() if c in found), None)
        if entry.whole("id", "formula"):
            channel = Entry(entry.place, entry.config.channel(lead), entry.broken)
            found.setdefault(entry.config.id, channel)
    return found


@dataclass(slots=True)
class _Reader:
    """Collects the problems and ids of all tables."""

    problems: list[Problem] = field(default_factory=list)
    ids: dict[str, set[str]] = field(default_factory=dict)
    places: list[str] = field(default_factory=list)

    def all_ids(self) -> Mapping[str, set[str]]:
        """Return the ids by list; what is derived is a channel as well."""
        more = {"channel": self.ids.get("channel", set()) | self.ids.get("derived", set())}
        return {**self.ids, **more}

    def unknown(self, document: Mapping[str, Any], known: Sequence[str]) -> None:
        for key in document:
            if key not in known:
                cure = _OTHER_FILES.get(key) or did_you_mean(key, known)
                self.problems.append(Problem(key, "is not a known section", cure))

    def table(
        self,
        document: Mapping[str, Any],
        key: str,
        model: type[C],
        hints: Mapping[str, str] = NO_HINTS,
    ) -> Entry[C]:
        self.places.append(key)
        entry, problems = parse(document.get(key, {}), model, key, hints)
        self.problems.extend(problems)
        return entry or Entry(key, model(), frozenset(keys_of(model)))

    def optional(
        self, document: Mapping[str, Any], key: str, model: type[C], prefix: str
    ) -> Entry[C] | None:
        if key not in document:
            return None
        entry, problems = parse(document[key], model, f"{prefix}{key}")
        self.problems.extend(problems)
        return entry

    def several(
        self, document: Mapping[str, Any], key: str, model: type[C], prefix: str = ""
    ) -> Sequence[Entry[C]]:
        entries = []
        for place, raw in self._items(document, key, prefix):
            entry, problems = parse(raw, model, place)
            self.problems.extend(problems)
            if entry is not None:
                entries.append(entry)
        return entries

    def rules(self, document: Mapping[str, Any]) -> Sequence[Entry[AnyRuleConfig]]:
        entries: list[Entry[AnyRuleConfig]] = []
        for place, raw in self._items(document, "rule", ""):
            entry, problems = _rule(raw, place)
            self.problems.extend(problems)
            if entry is not None:
                entries.append(entry)
        return entries

    def _items(
        self, document: Mapping[str, Any], key: str, prefix: str
    ) -> Iterator[tuple[str, Mapping[str, Any]]]:
        items = self._tables_of(document.get(key, []), f"{prefix}{key}")
        counts = Counter(_id(raw) for raw in items)
        self.ids[key] = {name for name in counts if name is not None}
        first: dict[str, int] = {}
        for at, raw in enumerate(items, start=1):
            place, name = f"{prefix}{key}[{at}]", _id(raw)
            if name is not None and counts[name] == 1:
                place = f'{prefix}{key} "{name}"'
            elif name is not None and first.setdefault(name, at) != at:
                what = f"is already the id of {prefix}{key}[{first[name]}]"
                self.problems.append(Problem(f"{place}.id", what, "Give each its own", name))
            self.places.append(place)
            yield place, raw

    def _tables_of(self, items: object, place: str) -> list[dict[str, Any]]:
        if isinstance(items, dict):
            cure = f"Write [[{place}]] in two brackets: there can be several"
            self.problems.append(Problem(place, "is one table where a list is needed", cure))
            return [items]
        tables = [item for item in items if isinstance(item, dict)] if _is_list(items) else []
        if not _is_list(items) or len(tables) < len(items):
            cure = f"Write the keys of each one below a line [[{place}]]"
            self.problems.append(Problem(place, "is not a list of tables", cure, items))
        return tables


def _is_list(items: object) -> TypeGuard[list[Any]]:
    return isinstance(items, list)


def _id(raw: Mapping[str, Any]) -> str | None:
    name = raw.get("id")
    return name if isinstance(name, str) and name and name.isprintable() else None


def _rule(raw: Mapping[str, Any], place: str) -> tuple[Entry[AnyRuleConfig] | None, list[Problem]]:
    kind = raw.get("kind")
    if isinstance(kind, str) and kind in KINDS:
        return parse(raw, KINDS[kind], place, _hints(kind))
    # Without a kind nothing can be said of the keys that only some kinds have.
    plain = keys_of(RuleConfig)
    known_somewhere = {key for model in KINDS.values() for key in keys_of(model)}
    known_somewhere.add(FROM_CATALOGUE)
    rest = {key: raw[key] for key in raw if key in plain or key not in known_somewhere}
    entry, problems = parse({**rest, "kind": "absolute"}, RuleConfig, place)
    cure = f"One of {', '.join(KINDS)}" if kind is None else did_you_mean(str(kind), KINDS)
    what = "is missing" if kind is None else "is not a kind of rule"
    value = NO_VALUE if kind is None else kind
    if FROM_CATALOGUE not in raw:  # else it was told why the catalogue could not give the kind
        problems.append(Problem(key_at(place, ("kind",)), what, cure, value))
    if entry is not None:
        entry = replace(entry, broken=entry.broken | known_somewhere - set(plain) | {"kind"})
    return entry, problems


def _hints(kind: str) -> Mapping[str, str]:
    """Return the keys of other kinds, each with the sentence that says whose it is."""
    own = keys_of(KINDS[kind])
    others: dict[str, list[str]] = {}
    for word, model in KINDS.items():
        for key in keys_of(model):
            if key not in own:
                others.setdefault(key, []).append(f'"{word}"')
    return {
        key: f'It is a key of kind = {" and ".join(words)}, and this rule is "{kind}"'
        for key, words in others.items()
    }
