"""What a node of ours says on its two topics: readings (SenML) and connection (JSON)."""

import math
from collections.abc import Iterator, Mapping

from weirwatch.domain.errors import BadPayload
from weirwatch.domain.instant import Micros, from_rfc3339, micros
from weirwatch.domain.quantity import converter
from weirwatch.domain.reading import Channel
from weirwatch.ingest import senml
from weirwatch.ingest.outcome import Outcome
from weirwatch.ingest.payload import load_json
from weirwatch.ports import NodeState

_COUNTABLE = ("", "/", "count")  # units in which true is 1


class Route:
    """From a record's name and unit to a channel: `value × scale + offset`.

    Attributes:
        plain: the number can be taken as it is.
    """

    __slots__ = ("channel", "id", "offset", "plain", "scale")

    def __init__(self, channel: Channel, scale: float, offset: float) -> None:
        self.channel = channel
        self.id = channel.id
        self.scale = scale
        self.offset = offset
        self.plain = not channel.is_switch and scale == 1.0 and offset == 0.0

    def value(self, raw: senml.Value, outcome: Outcome) -> float | None:
        """Return the value in the channel's unit, or None after noting why there is none."""
        if isinstance(raw, str | bytes):
            outcome.trouble(
                "not-a-number", f"{self.id}: a text or data value: send v (a number) or vb"
            )
            return None
        if isinstance(raw, bool) and self.channel.unit not in _COUNTABLE:
            outcome.trouble(
                "not-a-number", f"{self.id}: true or false is no {self.channel.unit}: send v"
            )
            return None
        value = raw * self.scale + self.offset
        return checked(self.channel, value, outcome)


def checked(channel: Channel, value: float, outcome: Outcome) -> float | None:
    """Return the value if a channel can hold it, or None after noting why it cannot."""
    if not math.isfinite(value):
        outcome.trouble("not-a-number", f"{channel.id}: the value is not a finite number")
        return None
    if channel.is_switch and value not in (0.0, 1.0):
        outcome.trouble("not-a-switch", f"{channel.id}: {value:g} is neither 0 nor 1")
        return None
    return float(value)


class ReadingsTopic:
    """`{root}/{system}/{node}/readings`: a SenML pack, JSON or CBOR.

    Attributes:
        sums_ignored: records that carried a sum, which is not stored.
    """

    def __init__(self, system: str, node: str, channels: Mapping[str, Channel]) -> None:
        self._system = system
        self._node = node
        self._channels = channels
        # Only what was found is kept, so that no sender can make it grow.
        self._routes: dict[tuple[str, str], Route] = {}
        self.sums_ignored = 0

    def take(self, outcome: Outcome) -> None:
        """Decode the message into readings and troubles."""
        message, routes = outcome.message, self._routes
        records, problems, sums = senml.read(message.payload, message.received)
        for name, unit, time, raw in records:
            route = routes.get((name, unit)) or self._route(name, unit, outcome)
            if route is None:
                continue
            value = raw if route.plain and type(raw) is float else route.value(raw, outcome)
            if value is not None:
                outcome.add(route.id, time, value)
        for code, reason in problems:
            outcome.trouble(code, reason)
        self.sums_ignored += sums

    def _route(self, name: str, unit: str, outcome: Outcome) -> Route | None:
        channel = self._channel(name)
        if channel is None:
            outcome.trouble(
                "unknown-channel",
                f"no channel {self._system}/{self._node}/{name[:80]} in the configuration: add it,"
                " or correct the node's name for it",
            )
            return None
        try:
            scale, offset = converter(unit or channel.unit, channel.unit)
        except ValueError as error:
            outcome.trouble("wrong-unit", f"{channel.id}: {error}; or send no u")
            return None
        route = self._routes[name, unit] = Route(channel, scale, offset)
        return route

    def _channel(self, name: str) -> Channel | None:
        prefix = f"{self._system}/{self._node}/"
        for own_name in _own_names(name, self._system, self._node):
            channel = self._channels.get(prefix + own_name)
            if channel is not None:
                return channel
        return None


def _own_names(name: str, system: str, node: str) -> Iterator[str]:
    """Yield the name as it is, then without a leading system, then without a leading node."""
    yield name
    for word in (system, node):
        if name.startswith(word) and name[len(word) : len(word) + 1] in ("/", ":", "."):
            name = name[len(word) + 1 :]
            yield name


class ConnectionTopic:
    """`{root}/{system}/{node}/connection`: what the node, or its last will, says."""

    def __init__(self, node: str) -> None:
        self._node = node

    def take(self, outcome: Outcome) -> None:
        """Decode the message into a node state."""
        try:
            told = load_json(outcome.message.payload)
        except BadPayload as error:
            outcome.trouble("not-connection", f'{error}: send {{"connected": true}}')
            return
        connected = told.get("connected") if isinstance(told, dict) else None
        if not isinstance(connected, bool):
            outcome.trouble(
                "not-connection", 'no "connected" that is true or false: send {"connected": true}'
            )
            return
        outcome.node = NodeState(
            self._node, connected, _since(told, outcome), _power(told, outcome)
        )


def _since(told: Mapping[str, object], outcome: Outcome) -> Micros:
    """Return `since`, or the arrival when there is none that can be used."""
    raw = told.get("since")
    if raw is None:
        return outcome.message.received
    try:
        since = own_time(raw)
    except ValueError as error:
        outcome.trouble("bad-since", f"since: {error}; the arrival was taken instead")
        return outcome.message.received
    if not outcome.earliest <= since <= outcome.latest:
        outcome.misdated("since", since)
        return outcome.message.received
    return since


def _power(told: Mapping[str, object], outcome: Outcome) -> str:
    power = told.get("power", "")
    if power in ("mains", "battery", ""):
        return str(power)
    outcome.trouble("bad-power", f'power {repr(power)[:40]} is neither "mains" nor "battery"')
    return ""


def own_time(raw: object) -> Micros:
    """Return a time written as RFC 3339 text or as Unix seconds.

    Raises:
        ValueError: neither.
    """
    if isinstance(raw, str):
        try:
            return from_rfc3339(raw)
        except ValueError:
            raise ValueError(
                f"time {raw[:40]!r} is not RFC 3339, as 2026-05-01T12:00:00Z"
            ) from None
    if isinstance(raw, bool) or not isinstance(raw, int | float) or not abs(raw) < 1e18:
        raise ValueError(f"time {repr(raw)[:40]} is neither RFC 3339 text nor Unix seconds")
    return micros(raw)
