"""What may stand in `[[recipient]]` and `[heartbeat]`: who is told, and by which way."""

import re
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field

from weirwatch.config.problems import fault
from weirwatch.config.values import ClockTime, FilePath, Name, Section, Title, parse_clock
from weirwatch.settings import HeartbeatSettings, RecipientSettings

_MOST_IN_10_MIN = 20
_PORTS = {"starttls": 587, "tls": 465, "none": 25}
_ADDRESS = re.compile(r"[^\s@<>,;\"]+@[^\s@<>,;\"]+")


def _url(text: str) -> str:
    try:
        parts = urlsplit(text)
        good = parts.scheme in ("http", "https") and parts.hostname and parts.port != 0
    except ValueError:
        good = False
    if "@" in text:
        raise fault(
            "names a user or password, and secrets never stand in this file",
            'Put url = "…" in a file of its own and name it with secrets_file',
        )
    if not good:
        raise fault("is not an address", 'Write "https://hall.example/alarm"')
    return text


def _address(text: str) -> str:
    if not _ADDRESS.fullmatch(text):
        raise fault("is not a mail address", 'Write one, as "keeper@hall.example"')
    return text


class RecipientConfig(Section):
    """`[[recipient]]`: who gets notices."""

    id: Name = Field(examples=["console"])
    kind: Literal["console", "file", "webhook", "mail", "apprise"] = Field(examples=["console"])
    path: FilePath | None = Field(None, examples=["notices.jsonl"])
    url: Annotated[str, AfterValidator(_url)] | None = Field(
        None, examples=["https://hall.example/alarm"]
    )
    host: Annotated[str, Field(min_length=1, max_length=253)] | None = Field(
        None, examples=["mail.hall.example"]
    )
    port: Annotated[int, Field(ge=1, le=65_535)] | None = Field(None, examples=[587])
    tls: Literal["starttls", "tls", "none"] = Field("starttls", examples=["starttls"])
    from_: Annotated[str, AfterValidator(_address)] | None = Field(
        None, alias="from", examples=["weirwatch@hall.example"]
    )
    to: Annotated[str, AfterValidator(_address)] | None = Field(
        None, examples=["keeper@hall.example"]
    )
    secrets_file: FilePath | None = Field(None, examples=["keeper-secrets.toml"])
    secrets_env: Name | None = Field(None, examples=["WEIRWATCH_KEEPER"])
    ca_file: FilePath | None = Field(None, examples=["ca.pem"])
    longest: Annotated[int, Field(ge=320, le=100_000)] | None = Field(None, examples=[1000])
    most_in_10_min: Annotated[int, Field(ge=0, le=1000)] | None = Field(None, examples=[20])
    morning: ClockTime | None = Field(None, examples=["07:30"])
    stand_in: bool = Field(False, examples=[True])
    may_handle: list[Name] = Field(default_factory=list, examples=[["reservoir-empty"]])
    contact: Title = Field("", examples=["the keeper, on the number by the door"])

    def to_domain(self, folder: Path) -> RecipientSettings:
        """Return the settings; `folder` is where relative paths start."""
        return RecipientSettings(
            id=self.id,
            kind=self.kind,
            path=_resolved(folder, self.path),
            url=self.url or "",
            host=self.host or "",
            port=self.port or _PORTS[self.tls],
            tls=self.tls,
            sender=self.from_ or "",
            to=self.to or "",
            secrets_file=_resolved(folder, self.secrets_file),
            secrets_env=self.secrets_env or "",
            ca_file=_resolved(folder, self.ca_file),
            longest=self.longest,
            morning=None if self.morning is None else parse_clock(self.morning),
            most_in_10_min=_most(self.kind, self.most_in_10_min),
            stand_in=self.stand_in,
            may_handle=frozenset(self.may_handle),
            contact=self.contact,
        )


def _most(kind: str, given: int | None) -> int:
    """Return the limit: a file is a record and has none unless one is given."""
    if given is not None:
        return given
    return 0 if kind == "file" else _MOST_IN_10_MIN


class HeartbeatConfig(Section):
    """`[heartbeat]`: signs of life to an address of the keeper's choice."""

    url: Annotated[str, AfterValidator(_url)] | None = Field(
        None, examples=["https://hall.example/alive"]
    )
    every_s: Annotated[float, Field(ge=5, le=86_400)] = Field(60.0, examples=[60])
    secrets_file: FilePath | None = Field(None, examples=["heartbeat-secrets.toml"])
    secrets_env: Name | None = Field(None, examples=["WEIRWATCH_HEARTBEAT"])
    ca_file: FilePath | None = Field(None, examples=["ca.pem"])

    @property
    def wanted(self) -> bool:
        """Whether there is anywhere to send to."""
        return not (self.url is None and self.secrets_file is None and self.secrets_env is None)

    def to_domain(self, folder: Path) -> HeartbeatSettings | None:
        """Return the settings; None: no signs of life are sent."""
        if not self.wanted:
            return None
        return HeartbeatSettings(
            url=self.url or "",
            every_s=self.every_s,
            secrets_file=_resolved(folder, self.secrets_file),
            secrets_env=self.secrets_env or "",
            ca_file=_resolved(folder, self.ca_file),
        )


def _resolved(folder: Path, path: str | None) -> Path | None:
    return None if path is None else (folder / path).absolute()
