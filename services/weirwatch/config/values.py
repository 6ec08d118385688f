"""The kinds of value that keys of the configuration may have, each with its own complaint."""

import re
from typing import Annotated
from zoneinfo import ZoneInfo, available_timezones

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainValidator,
)

from weirwatch.config.problems import did_you_mean, fault

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}")
_CHANNEL_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]{0,127}")  # SenML names, RFC 8428 4.5.1
_CLOCK = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])")
LOOPBACK = ("127.0.0.1", "::1", "localhost")  # this machine only
_YEAR_S = 366 * 86_400

# Second level of our own topics: no system may be called so, nor a node so within its system.
_RESERVED_SYSTEMS = ("service",)
_RESERVED_NODES = ("alarm", "event")


class Section(BaseModel):
    """What every table of the file has in common: exact types and no unknown keys."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def _name(text: str) -> str:
    if not _NAME.fullmatch(text):
        raise fault(
            "is not a usable id",
            "Use letters, digits, -, _ and . only, starting with a letter or digit, at most 64",
        )
    return text


def _system(text: str) -> str:
    if text in _RESERVED_SYSTEMS:
        raise fault("is a word of Weirwatch's own topics", "Call the system something else")
    return _name(text)


def _channel(text: str) -> str:
    parts = text.split("/", 2)
    if len(parts) < 3:
        raise fault(
            "is not a channel id", "Write system/node/name, as in harbour-hall/sump-node/level"
        )
    system, node, name = parts
    good = _NAME.fullmatch(system) and _NAME.fullmatch(node) and _CHANNEL_NAME.fullmatch(name)
    if not good:
        raise fault(
            "is not a usable channel id",
            "Write system/node/name with letters, digits, -, _ and . only",
        )
    if node in _RESERVED_NODES or system in _RESERVED_SYSTEMS:
        raise fault("uses a word of Weirwatch's own topics", f"Rename {node} in system {system}")
    return text


def _zone(text: str) -> str:
    try:
        ZoneInfo(text)
    except (KeyError, ValueError, OSError) as error:
        cure = did_you_mean(text, available_timezones(), "Write a place, such as Europe/Oslo")
        raise fault("is not a time zone of the IANA list", cure) from error
    return text


def _listen(text: str) -> str:
    parse_listen(text)
    return text


def parse_listen(text: str) -> tuple[str, int]:
    """Return host and port of `host:port` or `[ipv6]:port`; port 0 means any free one."""
    host, colon, port = text.rpartition(":")
    digits = port.isascii() and port.isdigit() and len(port) <= 5
    host = host[1:-1] if host.startswith("[") and host.endswith("]") else host
    if not colon or not host or not digits or int(port) > 65_535 or not host.isprintable():
        raise fault("is not an address and port", 'Write "127.0.0.1:8080"')
    return host, int(port)


def parse_clock(text: str) -> int:
    """Return the minutes after midnight of `HH:MM`."""
    found = _CLOCK.fullmatch(text)
    if found is None:
        raise fault("is not a time of day", 'Write hours and minutes as "08:00"')
    return int(found[1]) * 60 + int(found[2])


def _clock(text: str) -> str:
    parse_clock(text)
    return text


def _printable(text: str) -> str:
    if not all(letter.isprintable() for letter in text):
        raise fault("holds control characters", "Write it as one line of plain text")
    return text


def _path(text: str) -> str:
    if not text.strip() or "\0" in text:
        raise fault("is not a usable path", 'Write a path, such as "data"')
    return text


def _pointer(text: str) -> str:
    if (text and not text.startswith("/")) or re.search(r"~(?![01])", text):
        raise fault(
            "is not a JSON Pointer (RFC 6901)", 'Start each level with a slash, as "/sensor/value"'
        )
    return text


def _topic_filter(text: str) -> str:
    levels = text.split("/")
    hash_ok = all(level != "#" for level in levels[:-1])
    mixed = any(len(level) > 1 and ("+" in level or "#" in level) for level in levels)
    if not hash_ok or mixed or "\0" in text or len(text.encode("utf-8", "replace")) > 65_535:
        raise fault(
            "is not an MQTT topic filter",
            "+ stands for one whole level, # only for all at the end, as in greenhouse/+/level",
        )
    return text


def _root(text: str) -> str:
    bad = text.startswith(("/", "$")) or text.endswith("/") or "//" in text
    if bad or any(letter in text for letter in "+#\0"):
        raise fault(
            "cannot be the first level of a topic", 'Write a plain word, such as "weirwatch"'
        )
    return _printable(text)


def _set_value_or_channel(value: object) -> float | str:
    if isinstance(value, str):
        return _channel(value)
    if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= 1e12:
        return float(value)
    raise fault(
        "is neither a number nor a channel id", "Write a set value or the twin's channel id"
    )


def _number_or_switch(value: object) -> object:
    return float(value) if isinstance(value, bool) else value


Title = Annotated[str, Field(max_length=120), AfterValidator(_printable)]
Words = Annotated[str, Field(max_length=2000)]
Name = Annotated[str, AfterValidator(_name)]
SystemId = Annotated[str, AfterValidator(_system)]
ChannelId = Annotated[str, AfterValidator(_channel)]
AnyText = Annotated[str, Field(min_length=1, max_length=200)]
TimeZone = Annotated[str, AfterValidator(_zone)]
Listen = Annotated[str, AfterValidator(_listen)]
ClockTime = Annotated[str, AfterValidator(_clock)]
FilePath = Annotated[str, AfterValidator(_path)]
Pointer = Annotated[str, AfterValidator(_pointer)]
TopicFilter = Annotated[str, Field(min_length=1), AfterValidator(_topic_filter)]
Root = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_root)]
Number = Annotated[float, Field(ge=-1e12, le=1e12)]
SetValueOrChannel = Annotated[float | str, PlainValidator(_set_value_or_channel)]
WordValue = Annotated[Number, BeforeValidator(_number_or_switch)]
NotNegative = Annotated[float, Field(ge=0, le=1e12)]
Positive = Annotated[float, Field(gt=0, le=1e12)]
Seconds = Annotated[float, Field(ge=0, le=_YEAR_S)]
Span = Annotated[float, Field(ge=0.001, le=_YEAR_S)]
