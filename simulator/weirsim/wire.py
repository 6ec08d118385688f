"""What the nodes say on the wire: topics, SenML packs (RFC 8428) and the connection message."""

import json
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

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
    base: dict[str, object] = {
        "bn": f"{system}/{pack.node.id}/",
        "bt": whole if rest == 0 else pack.time_us / 1e6,
    }
    records = list(_records(pack.readings))
    return json.dumps([base | records[0], *records[1:]], separators=(",", ":")).encode()


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


def _records(readings: Iterable[tuple[ProbeSpec, float]]) -> Iterable[dict[str, object]]:
    for probe, value in readings:
        record: dict[str, object] = {"n": probe.name}
        if probe.is_switch:
            record["vb"] = value >= 0.5
        else:
            if probe.wire_unit:
                record["u"] = probe.wire_unit
            record["v"] = value
        yield record
