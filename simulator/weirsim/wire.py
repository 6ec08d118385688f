"""What the nodes say on the wire: topics, SenML packs (RFC 8428) and the connection message."""

import json
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from math import isfinite

from weirsim.instruments import ProbeSpec
from weirsim.nodes import Pack

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def readings_topic(root: str, system: str, node: str) -> str:
    """Return the topic of a node's packs."""
    return f"{root}/{system}/{node}/readings"


def connection_topic(root: str, system: str, node: str) -> str:
    """Return the topic of a node's retained connection message, and of its last will."""
    return f"{root}/{system}/{node}/connection"


def senml(system: str, pack: Pack) -> bytes:
    """Return a pack as SenML JSON: base name and base time in the first record, then values."""
    whole, rest = divmod(pack.time_us, 1_000_000)
    time = whole if rest == 0 else pack.time_us / 1e6
    records = ",".join([_record(probe, value) for probe, value in pack.readings])
    return f"[{{{_base(system, pack.node.id)}{time!r},{records[1:]}]".encode()


def connection(connected: bool, power: str, since_us: int | None = None) -> bytes:
    """Return the connection message.

    Args:
        connected: false in a last will and when the node goes on purpose.
        power: `mains` or `battery`.
        since_us: None in a last will: its time is only known when the broker sends it.
    """
    told: dict[str, object] = {"connected": connected}
    if since_us is not None:
        told["since"] = rfc3339(since_us)
    return json.dumps({**told, "power": power}).encode()


def rfc3339(time_us: int) -> str:
    """Return a time in microseconds since the Unix epoch as RFC 3339 in UTC."""
    moment = (_EPOCH + timedelta(microseconds=time_us)).replace(tzinfo=None)
    spec = "seconds" if time_us % 1_000_000 == 0 else "microseconds"
    return moment.isoformat(timespec=spec) + "Z"


def _record(probe: ProbeSpec, value: float) -> str:
    quantity = probe.quantity
    begin = _begin(probe.name, quantity, probe.wire_unit)
    if quantity == "switch":
        return begin + ("true}" if value >= 0.5 else "false}")
    return f"{begin}{value!r}}}" if isfinite(value) else f"{begin}{json.dumps(value)}}}"


@lru_cache(maxsize=4096)
def _base(system: str, node: str) -> str:
    """Return the base fields up to the base time."""
    return f'"bn":{json.dumps(f"{system}/{node}/")},"bt":'


@lru_cache(maxsize=4096)
def _begin(name: str, quantity: str, unit: str) -> str:
    """Return a record up to its value: the same for every reading of a probe."""
    if quantity == "switch":
        return f'{{"n":{json.dumps(name)},"vb":'
    return f'{{"n":{json.dumps(name)},' + (f'"u":{json.dumps(unit)},' if unit else "") + '"v":'
