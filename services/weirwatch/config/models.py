"""What may stand in the configuration file: every section and key but rules and plant."""

from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, Field

from weirwatch.config.problems import fault
from weirwatch.config.values import (
    AnyText,
    ChannelId,
    FilePath,
    Listen,
    Name,
    Number,
    Pointer,
    Positive,
    Root,
    Seconds,
    Section,
    Span,
    SystemId,
    TimeZone,
    Title,
    TopicFilter,
    WordValue,
    parse_listen,
)
from weirwatch.domain.instant import micros
from weirwatch.domain.reading import Channel
from weirwatch.settings import (
    BrokerSettings,
    HistorySettings,
    RetentionSettings,
    ServiceSettings,
    SystemSettings,
    TapSettings,
    WebSettings,
)

_SILENT_FACTOR = 3  # silent after so many missed readings


def _broker_url(text: str) -> str:
    if text == "auto":
        return text
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError as error:
        raise fault("is not an address", 'Write "auto" or "mqtt://host:1883"') from error
    if "@" in text:
        raise fault(
            "names a user or password, and secrets never stand in this file",
            "Put username and password in a file of their own and name it with "
            "broker.credentials_file",
        )
    extra = parts.path.strip("/") or parts.query or parts.fragment
    if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname or extra or port == 0:
        raise fault("is not an address", 'Write "auto", "mqtt://host:1883" or "mqtts://host:8883"')
    return text


def _server_url(text: str) -> str:
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError as error:
        raise fault("is not an address", 'Write "http://127.0.0.1:8428"') from error
    if "@" in text:
        raise fault(
            "names a user or password, and secrets never stand in this file",
            "Put them in a file of their own and name it with history.credentials_file",
        )
    extra = parts.query or parts.fragment
    if parts.scheme not in ("http", "https") or not parts.hostname or extra or port == 0:
        raise fault("is not an address", 'Write "http://127.0.0.1:8428"')
    return text


ServerUrl = Annotated[str, AfterValidator(_server_url)]


class ServiceConfig(Section):
    """`[service]`."""

    data_dir: FilePath = Field("data", examples=["data"])
    commit_every_s: Annotated[float, Field(ge=0, le=3600)] = Field(5.0, examples=[5])
    commit_unacked: Annotated[int, Field(ge=1, le=1000)] | None = Field(None, examples=[10])
    time_zone: TimeZone = Field("UTC", examples=["Europe/Oslo"])
    skew_future_s: Seconds = Field(60.0, examples=[60])

    def to_domain(self, folder: Path) -> ServiceSettings:
        """Return the settings; `folder` is where relative paths start."""
        return ServiceSettings(
            data_dir=(folder / self.data_dir).resolve(),
            commit_every=micros(self.commit_every_s),
            commit_unacked=self.commit_unacked,
            time_zone=ZoneInfo(self.time_zone),
            skew_future=micros(self.skew_future_s),
        )


class BrokerConfig(Section):
    """`[broker]`."""

    url: Annotated[str, AfterValidator(_broker_url)] = Field(
        "auto", examples=["mqtt://192.168.1.10:1883"]
    )
    listen: Listen = Field("127.0.0.1:1883", examples=["127.0.0.1:1883"])
    root: Root = Field("weirwatch", examples=["weirwatch"])
    protocol: Literal["3.1.1", "5"] = Field("3.1.1", examples=["3.1.1"])
    credentials_file: FilePath | None = Field(None, examples=["broker-login.toml"])
    ca_file: FilePath | None = Field(None, examples=["ca.pem"])
    client_id: Name | None = Field(None, examples=["weirwatch-core"])

    def to_domain(self, folder: Path) -> BrokerSettings:
        """Return the settings; `folder` is where relative paths start."""
        return BrokerSettings(
            url=self.url,
            listen=parse_listen(self.listen),
            root=self.root,
            protocol=self.protocol,
            credentials_file=_resolved(folder, self.credentials_file),
            ca_file=_resolved(folder, self.ca_file),
            client_id=self.client_id or f"{self.root.replace('/', '-')}-core",
        )


class WebConfig(Section):
    """`[web]`."""

    listen: Listen = Field("127.0.0.1:8080", examples=["127.0.0.1:8080"])

    def to_domain(self) -> WebSettings:
        """Return the settings."""
        host, port = parse_listen(self.listen)
        return WebSettings(host=host, port=port)


RawDays = Annotated[int, Field(ge=2, le=36_500)]
HourlyYears = Annotated[int, Field(ge=1, le=100)]


class RetentionConfig(Section):
    """`[[history.retention]]`: how long the channels of some quantities are kept."""

    quantities: Annotated[list[Name], Field(min_length=1)] = Field(examples=[["flow", "power"]])
    raw_days: RawDays | None = Field(None, examples=[60])
    hourly_years: HourlyYears | None = Field(None, examples=[5])


class HistoryConfig(Section):
    """`[history]`."""

    kind: Literal["sqlite", "influxdb", "victoriametrics"] = Field("sqlite", examples=["sqlite"])
    raw_days: RawDays = Field(400, examples=[400])
    hourly_years: HourlyYears | None = Field(None, examples=[10])
    url: ServerUrl | None = Field(None, examples=["http://127.0.0.1:8428"])
    query_url: ServerUrl | None = Field(None, examples=["http://127.0.0.1:8428"])
    org: AnyText = Field("", examples=["harbour-hall"])
    bucket: AnyText = Field("", examples=["weirwatch"])
    credentials_file: FilePath | None = Field(None, examples=["history-login.toml"])

    def to_domain(self, folder: Path, retention: RetentionSettings) -> HistorySettings:
        """Return the settings; `folder` is where relative paths start."""
        return HistorySettings(
            kind=self.kind,
            retention=retention,
            url=self.url or "",
            query_url=self.query_url or "",
            org=self.org,
            bucket=self.bucket,
            credentials_file=_resolved(folder, self.credentials_file),
        )


class SystemConfig(Section):
    """`[[system]]`: one plumbed body of water."""

    id: SystemId = Field(examples=["harbour-hall"])
    title: Title = Field("", examples=["Harbour Hall"])

    def to_domain(self) -> SystemSettings:
        """Return the settings; without a title the id, made readable."""
        title = self.title or self.id.replace("-", " ").replace("_", " ").title()
        return SystemSettings(id=self.id, title=title)


StateWord = Annotated[str, Field(min_length=1, max_length=40)]


class ChannelConfig(Section):
    """`[[channel]]`: one quantity of one probe."""

    id: ChannelId = Field(examples=["harbour-hall/sump-node/level"])
    quantity: Name = Field(examples=["level"])
    unit: str = Field("", max_length=40, examples=["mm"])
    title: Title = Field("", examples=["Sump level"])
    vessel: Annotated[str, Field(max_length=64)] = Field("", examples=["sump"])
    expected_every_s: Span | None = Field(None, examples=[5])
    silent_after_s: Span | None = Field(None, examples=[15])
    valid: Annotated[list[Number], Field(min_length=2, max_length=2)] | None = Field(
        None, examples=[[0, 450]]
    )
    resolution: Positive | None = Field(None, examples=[1])
    warm_up_s: Seconds = Field(0.0, examples=[30])
    states: Annotated[list[StateWord], Field(min_length=2, max_length=2)] | None = Field(
        None, examples=[["wet", "dry"]]
    )
    calibrate_every_days: Annotated[float, Field(ge=0, le=3660)] | None = Field(None, examples=[30])
    prove_every_days: Annotated[float, Field(ge=0, le=3660)] | None = Field(None, examples=[90])
    max_change_per_s: Positive | None = Field(None, examples=[2])
    frozen_after_s: Span | None = Field(None, examples=[3600])
    raw_days: RawDays | None = Field(None, examples=[3650])
    hourly_years: HourlyYears | None = Field(None, examples=[20])

    @property
    def is_switch(self) -> bool:
        """Whether its values are on and off."""
        return self.quantity == "switch"

    @property
    def silent_s(self) -> float | None:
        """Seconds without a reading after which it is silent; None: it reports on change only."""
        if self.expected_every_s is None:
            return None
        return self.silent_after_s or _SILENT_FACTOR * self.expected_every_s

    def to_domain(self) -> Channel:
        """Return the channel."""
        every, silent = self.expected_every_s, self.silent_s
        return Channel(
            id=self.id,
            quantity=self.quantity,
            unit=self.unit,
            expected_every=None if every is None else micros(every),
            silent_after=None if silent is None else micros(silent),
            valid=None if self.valid is None else (self.valid[0], self.valid[1]),
            resolution=self.resolution,
            warm_up=micros(self.warm_up_s),
            vessel=self.vessel,
            title=self.title,
            max_change_per_s=self.max_change_per_s,
            frozen_after=None if self.frozen_after_s is None else micros(self.frozen_after_s),
            states=("off", "on") if self.states is None else (self.states[0], self.states[1]),
        )


class TapConfig(Section):
    """`[[tap]]`: a foreign node's topic, made one of our channels."""

    topic: TopicFilter = Field(examples=["boiler-room/tank/level"])
    channel: ChannelId = Field(examples=["harbour-hall/sump-node/level"])
    pointer: Pointer | None = Field(None, examples=["/level/value"])
    time_pointer: Pointer | None = Field(None, examples=["/time"])
    unit: str = Field("", max_length=40, examples=["cm"])
    scale: Number = Field(1.0, examples=[0.1])
    offset: Number = Field(0.0, examples=[0])
    words: dict[AnyText, WordValue] = Field(default_factory=dict, examples=[{"open": 1}])

    def to_domain(self) -> TapSettings:
        """Return the settings; words are compared in lower case."""
        return TapSettings(
            topic=self.topic,
            channel=self.channel,
            pointer=self.pointer,
            time_pointer=self.time_pointer,
            unit=self.unit,
            scale=self.scale,
            offset=self.offset,
            words={word.strip().lower(): float(value) for word, value in self.words.items()},
        )


def _resolved(folder: Path, path: str | None) -> Path | None:
    return None if path is None else (folder / path).absolute()
