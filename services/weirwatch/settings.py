"""What code passes: frozen settings, made from the configuration file by `weirwatch.config`."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

from weirwatch.domain.devices import Device
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.planned_work import PlannedWork
from weirwatch.domain.reading import Channel
from weirwatch.domain.routing import Holiday, Roster
from weirwatch.domain.rule import Rule


@dataclass(frozen=True, slots=True)
class ServiceSettings:
    """Where the data lives and when readings are committed.

    Attributes:
        data_dir: folder of the SQLite file, the control socket and the broker's own files.
        commit_every: real span since the oldest un-acked message until a group is committed.
        commit_unacked: messages waiting that force a commit; None: 10 with a broker that is not
            ours (its in-flight window is 20 by default), 500 with our own.
        time_zone: for people and for `between`; records are UTC.
        skew_future: a reading so far ahead of now goes to quarantine.
    """

    data_dir: Path
    commit_every: Micros
    commit_unacked: int | None
    time_zone: ZoneInfo
    skew_future: Micros


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """How the MQTT broker is reached.

    Attributes:
        url: "auto", mqtt://host:port or mqtts://host:port.
        listen: host and port for a broker of our own (url = "auto"); port 0: any free one.
        root: first level of every topic.
        protocol: MQTT version: "3.1.1" or "5".
        credentials_file: TOML file with `username` and `password`; None: none.
        ca_file: PEM file for mqtts; None: the system's.
        client_id: stable, so that the broker keeps our session.
    """

    url: str
    listen: tuple[str, int]
    root: str
    protocol: Literal["3.1.1", "5"]
    credentials_file: Path | None
    ca_file: Path | None
    client_id: str


def drill_root(root: str) -> str:
    """Return the first level of a live drill's topics: never one of the real ones."""
    return f"{root}-drill"


@dataclass(frozen=True, slots=True)
class WebSettings:
    """Where API and page listen; loopback only until access rights exist."""

    host: str
    port: int


@dataclass(frozen=True, slots=True)
class SystemSettings:
    """One plumbed body of water."""

    id: str
    title: str


@dataclass(frozen=True, slots=True)
class TapSettings:
    """A foreign node's topic mapped to one channel.

    Attributes:
        topic: MQTT topic filter (+ and # allowed).
        channel: channel id it feeds.
        pointer: RFC 6901 JSON Pointer into a JSON payload; None: the payload is the value.
        time_pointer: JSON Pointer to the reading's own time (RFC 3339 text or Unix seconds);
            None: the time of arrival.
        unit: unit of the incoming number; empty: the channel's.
        scale, offset: value × scale + offset, before the unit conversion.
        words: payload word (lower case) → number, for switches and states.
    """

    topic: str
    channel: str
    pointer: str | None = None
    time_pointer: str | None = None
    unit: str = ""
    scale: float = 1.0
    offset: float = 0.0
    words: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class DerivedSettings:
    """A channel that is computed from others.

    Attributes:
        channel: its id; the channel itself stands among `Settings.channels`.
        formula: a key of `pipeline.formulas.FORMULAS`.
        inputs: role → channel id.
        constants: every constant of the formula.
        every: shortest span between two of its readings.
        max_age: an input further away in time than this is stale.
    """

    channel: str
    formula: str
    inputs: Mapping[str, str]
    constants: Mapping[str, float]
    every: Micros
    max_age: Micros


@dataclass(frozen=True, slots=True)
class RecipientSettings:
    """Who gets notices.

    Attributes:
        kind: `console` (standard output), `file` (JSON lines at `path`), `webhook` (POST to
            `url`), `mail` (SMTP) or `apprise`.
        secrets_file, secrets_env: where the secrets are, in TOML; never in the settings.
        longest: a text is cut after so many characters; None: not cut.
        morning: local time of day of the morning line, in minutes; None: none.
        most_in_10_min: more notices than that go out in one; 0: no limit.
        stand_in: handles only the failures in `may_handle`; for the rest calls `contact`.
    """

    id: str
    kind: Literal["console", "file", "webhook", "mail", "apprise"]
    path: Path | None = None
    url: str = ""
    host: str = ""
    port: int = 587
    tls: Literal["starttls", "tls", "none"] = "starttls"
    sender: str = ""
    to: str = ""
    secrets_file: Path | None = None
    secrets_env: str = ""
    ca_file: Path | None = None
    longest: int | None = None
    most_in_10_min: int = 0
    morning: int | None = None
    stand_in: bool = False
    may_handle: frozenset[str] = frozenset()
    contact: str = ""


@dataclass(frozen=True, slots=True)
class HeartbeatSettings:
    """Signs of life to an address of the keeper's choice.

    Attributes:
        url: http or https; empty: it stands among the secrets.
        every_s: real seconds between two of them.
        secrets_file, secrets_env: where `secret` and `url` are, in TOML; never in the settings.
    """

    url: str = ""
    every_s: float = 60.0
    secrets_file: Path | None = None
    secrets_env: str = ""
    ca_file: Path | None = None


@dataclass(frozen=True, slots=True)
class VesselSettings:
    """A vessel of the plant.

    Attributes:
        role: display, refuge, sump or reservoir.
        volume_l: water when running (for the sump: up to its rim).
        working_l: water in the sump when running; None elsewhere.
        area_m2: water surface.
        height_m: inside height.
        crest_m: height of the overflow weir's crest above the floor of the vessel; None: no weir.
        crest_length_m: length of the crest.
        outlet_below_crest_m: depth of the return outlet below the crest (siphon path on a stop).
        siphon_break: whether the return outlet has a working siphon break.
        level_channel: channel that shows its level; empty: none.
    """

    id: str
    title: str
    role: Literal["display", "refuge", "sump", "reservoir"]
    volume_l: float
    area_m2: float
    height_m: float
    working_l: float | None = None
    crest_m: float | None = None
    crest_length_m: float | None = None
    outlet_below_crest_m: float = 0.0
    siphon_break: bool = True
    level_channel: str = ""


@dataclass(frozen=True, slots=True)
class PumpSettings:
    """The return pump: H(Q) = shutoff_head − k Q², through `flow_l_h` at `static_head` + losses.

    Attributes:
        flow_l_h: flow at the design point with everything clean.
        static_head_m: lift from sump surface to the highest outlet.
        shutoff_head_m: head at no flow.
        pipe_m, pipe_d_m: length and inner diameter of the riser.
        power_w: electric power.
    """

    id: str
    flow_l_h: float
    static_head_m: float
    shutoff_head_m: float
    pipe_m: float
    pipe_d_m: float
    power_w: float


@dataclass(frozen=True, slots=True)
class LoopSettings:
    """A side loop on the return manifold.

    Attributes:
        feeds: vessel id that receives its outflow (the refuge, or the sump).
        flow_l_h: design flow with its valve as set.
    """

    id: str
    title: str
    feeds: str
    flow_l_h: float


@dataclass(frozen=True, slots=True)
class HeaterSettings:
    """A heater with its own thermostat: on below set − hysteresis/2, off above set + half."""

    id: str
    vessel: str
    power_w: float
    set_degc: float
    hysteresis_k: float


@dataclass(frozen=True, slots=True)
class TopOffSettings:
    """Float-controlled replacement of evaporated water from the reservoir into the sump."""

    reservoir: str
    rate_l_h: float
    set_level_mm: float
    hysteresis_mm: float


@dataclass(frozen=True, slots=True)
class OutageSettings:
    """What an outage is reckoned with; meanings and sources in `pipeline.outage.OutageBasis`."""

    uptake_mg_l_h: float = 1.0
    oxygen_critical_mg_l: float = 3.0
    temperature_low_degc: float = 22.0
    battery_wh: float = 0.0
    battery_load_w: float = 0.0


@dataclass(frozen=True, slots=True)
class ChillerSettings:
    """A chiller with its own thermostat.

    Attributes:
        cooling_w: heat that it takes out of the water.
        vessel, loop: where it sits; one of them is empty.
        electric_w: while it runs.
    """

    id: str
    cooling_w: float
    set_degc: float
    hysteresis_k: float
    vessel: str
    loop: str
    electric_w: float


@dataclass(frozen=True, slots=True)
class PlantSettings:
    """The physical description of one system, for the page, the simulator and forecasts.

    Attributes:
        vessels: in the order the water flows from the return pump on.
        room_degc: mean room temperature.
        loss_w_per_k: heat loss of all the water to the room, evaporation apart.
        evaporation_l_per_day: replaced by the top-off.
        salinity: practical salinity (PSS-78).
        without: failures of the catalogue that cannot happen here.
        chiller: None: there is none.
        stocking: what lives there, by the keys of `[plant.stocking]`; empty: as usual.
        reactor: of the calcium reactor, by the keys of `[plant.reactor]`; empty: as usual.
        reactor_loop: id of its side loop; a plant without that loop has no reactor.
    """

    system: str
    vessels: tuple[VesselSettings, ...]
    pump: PumpSettings
    loops: tuple[LoopSettings, ...]
    heaters: tuple[HeaterSettings, ...]
    top_off: TopOffSettings | None
    room_degc: float
    loss_w_per_k: float
    evaporation_l_per_day: float
    salinity: float
    outage: OutageSettings = OutageSettings()
    without: tuple[str, ...] = ()
    chiller: ChillerSettings | None = None
    stocking: Mapping[str, float] = field(default_factory=dict)
    reactor: Mapping[str, float] = field(default_factory=dict)
    reactor_loop: str = "reactor"


@dataclass(frozen=True, slots=True)
class Kept:
    """How long the file keeps a channel.

    Attributes:
        raw_days: each reading; None: for ever.
        hourly_years: the summary of each hour, in years of 365.25 days; None: for ever.
    """

    raw_days: float | None = None
    hourly_years: float | None = None


@dataclass(frozen=True, slots=True)
class RetentionSettings:
    """How long the file keeps which channel; what nothing else is said of: `usual`.

    Attributes:
        by_quantity: of the channels of a quantity, also those that are configured no more.
        by_channel: of single ones, by id.
    """

    usual: Kept = Kept()
    by_quantity: Mapping[str, Kept] = field(default_factory=dict)
    by_channel: Mapping[str, Kept] = field(default_factory=dict)

    def of(self, channel: str, quantity: str) -> Kept:
        """Return how long a channel of this id and quantity is kept."""
        return self.by_channel.get(channel) or self.by_quantity.get(quantity, self.usual)


@dataclass(frozen=True, slots=True)
class HistorySettings:
    """Which history is used; the embedded one keeps readings in the SQLite file.

    Attributes:
        retention: how long the file keeps readings, and the summaries of their hours.
        url: of a server, where readings are written.
        query_url: where it is asked; empty: the same.
        org, bucket: where in an InfluxDB.
        credentials_file: TOML with `token`, or `username` and `password`; None: none.
    """

    kind: Literal["sqlite", "influxdb", "victoriametrics"] = "sqlite"
    retention: RetentionSettings = RetentionSettings(Kept(raw_days=400))
    url: str = ""
    query_url: str = ""
    org: str = ""
    bucket: str = ""
    credentials_file: Path | None = None


@dataclass(frozen=True, slots=True)
class JobSettings:
    """Something to be done again and again; when it was done stands in the keeper's log.

    Attributes:
        every_days: from one time to the next.
        remind_days: it is told so long before it is due.
        where: where the thing and its breaker, valve or key are.
    """

    id: str
    title: str
    system: str
    every_days: float
    remind_days: float = 7.0
    where: str = ""
    instructions: str = ""


@dataclass(frozen=True, slots=True)
class SupplySettings:
    """Something that is used up; what is left is counted in the log, or a channel shows it.

    Attributes:
        unit: in which it is counted.
        size: what a full one holds; None: not known.
        lead_days: how long it takes to get more.
        count_error: one count is so far off (one standard deviation); None: 2 % of `size`, which
            is common practice.
        channel: shows what is left, `(value - empty_at) × per_unit`; empty: the log tells.
        dose: subject of the log's doses that use it up; empty: counts alone tell.
        strength_g_l: of the solution, where doses are kept in grams and this in litres.
    """

    id: str
    title: str
    system: str
    unit: str
    size: float | None = None
    lead_days: float = 14.0
    count_error: float | None = None
    channel: str = ""
    empty_at: float = 0.0
    per_unit: float = 1.0
    dose: str = ""
    strength_g_l: float | None = None
    where: str = ""


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything that one run of the service needs to know.

    Attributes:
        source: the configuration file, for messages.
        rules: in file order, built-in system rules last.
        notice_page: address of the page as people reach it, for notices; empty: not told.
        repeat_expires: a repeat that could not be delivered for so long is not sent any more.
        heartbeat: None: no signs of life are sent.
        calibrate_days: channel → days between two calibrations, where the file says so; 0: never.
        prove_days: likewise, between two proof tests.
    """

    source: Path
    service: ServiceSettings
    broker: BrokerSettings
    web: WebSettings
    history: HistorySettings
    systems: tuple[SystemSettings, ...]
    channels: tuple[Channel, ...]
    rules: tuple[Rule, ...]
    taps: tuple[TapSettings, ...]
    recipients: tuple[RecipientSettings, ...]
    plant: PlantSettings | None
    rosters: tuple[Roster, ...] = ()
    holidays: tuple[Holiday, ...] = ()
    notice_page: str = ""
    repeat_expires: Micros = 3600 * SECOND
    derived: tuple[DerivedSettings, ...] = ()
    planned_works: tuple[PlannedWork, ...] = ()
    devices: tuple[Device, ...] = ()
    heartbeat: HeartbeatSettings | None = None
    jobs: tuple[JobSettings, ...] = ()
    supplies: tuple[SupplySettings, ...] = ()
    calibrate_days: Mapping[str, float] = field(default_factory=dict)
    prove_days: Mapping[str, float] = field(default_factory=dict)
