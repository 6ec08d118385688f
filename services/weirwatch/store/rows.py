"""How the domain's objects become rows and come back, field for field."""

import json
from collections.abc import Sequence
from dataclasses import fields
from typing import Any

from weirwatch.domain.alarm import Alarm, AlarmState, Event, ServiceState
from weirwatch.domain.reading import Channel, Quality
from weirwatch.ports import Newest, NodeState, Notice, Quarantined, StoredEvent

Row = tuple[Any, ...]

# A column has the name of its field; what a table has besides is named where it is written.
ALARM_COLUMNS = tuple(field.name for field in fields(Alarm))
EVENT_COLUMNS = tuple(field.name for field in fields(Event))
NOTICE_COLUMNS = tuple(field.name for field in fields(Notice))
NODE_COLUMNS = tuple(field.name for field in fields(NodeState))
QUARANTINE_COLUMNS = tuple(field.name for field in fields(Quarantined))
CHANNEL_COLUMNS = (
    "name", "quantity", "unit", "expected_every", "silent_after", "valid_low", "valid_high",
    "resolution", "warm_up", "vessel", "title", "max_change_per_s", "frozen_after", "states",
)  # fmt: skip

PAYLOAD_BYTES = 4096  # of a quarantined payload are kept


def insert_into(table: str, columns: Sequence[str], on_conflict: str = "") -> str:
    """Return the INSERT statement for all the columns, in their order."""
    names, marks = ", ".join(columns), ", ".join("?" * len(columns))
    return f"INSERT INTO {table} ({names}) VALUES ({marks}) {on_conflict}"  # noqa: S608 - our own names


def upsert_into(table: str, columns: Sequence[str], key: str) -> str:
    """Return the INSERT statement that overwrites the row with the same key."""
    sets = ", ".join(f"{name} = excluded.{name}" for name in columns if name != key)
    return insert_into(table, columns, f"ON CONFLICT ({key}) DO UPDATE SET {sets}")


def select_from(table: str, columns: Sequence[str], rest: str = "") -> str:
    """Return the SELECT statement for the columns, in their order."""
    return f"SELECT {', '.join(columns)} FROM {table} {rest}"  # noqa: S608 - our own names


def storable(text: str) -> str:
    """Return the text with what UTF-8 cannot hold (lone surrogates, from JSON) written out."""
    if text.isascii():
        return str(text)
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def _row_of(thing: object, columns: Sequence[str]) -> Row:
    values = (getattr(thing, name) for name in columns)
    return tuple(storable(value) if isinstance(value, str) else value for value in values)


def channel_row(channel: Channel) -> Row:
    """Return the channel's row in the order of CHANNEL_COLUMNS."""
    low, high = channel.valid if channel.valid is not None else (None, None)
    return (
        channel.id, channel.quantity, channel.unit, channel.expected_every, channel.silent_after,
        low, high, channel.resolution, channel.warm_up, channel.vessel, channel.title,
        channel.max_change_per_s, channel.frozen_after,
        json.dumps(channel.states),
    )  # fmt: skip


def channel_from(row: Row) -> Channel:
    """Return the channel of such a row."""
    name, quantity, unit, every, silent, low, high, *others = row
    resolution, warm_up, vessel, title, max_change_per_s, frozen_after, states = others
    off, on = json.loads(states)
    return Channel(
        id=name,
        quantity=quantity,
        unit=unit,
        expected_every=every,
        silent_after=silent,
        valid=None if low is None else (low, high),
        resolution=resolution,
        warm_up=warm_up,
        vessel=vessel,
        title=title,
        max_change_per_s=max_change_per_s,
        frozen_after=frozen_after,
        states=(off, on),
    )


def alarm_row(alarm: Alarm) -> Row:
    """Return the alarm's row in the order of ALARM_COLUMNS."""
    return _row_of(alarm, ALARM_COLUMNS)


def alarm_from(row: Row) -> Alarm:
    """Return the alarm of such a row."""
    values = dict(zip(ALARM_COLUMNS, row, strict=True))
    _make_flags(values, ("present", "announced", "heard", "one_shot", "first_out"))
    values["state"] = AlarmState(values["state"])
    values["service_state"] = ServiceState(values["service_state"])
    return Alarm(**values)


def event_row(event: Event) -> Row:
    """Return the event's row in the order of EVENT_COLUMNS."""
    return _row_of(event, EVENT_COLUMNS)


def event_from(row: Row) -> StoredEvent:
    """Return the event of a row: seq, committed_at, then EVENT_COLUMNS."""
    seq, committed_at, *rest = row
    values = dict(zip(EVENT_COLUMNS, rest, strict=True))
    _make_flags(values, ("annunciated", "late", "drill"))
    return StoredEvent(seq, committed_at, Event(**values))


def notice_row(notice: Notice) -> Row:
    """Return the notice's row in the order of NOTICE_COLUMNS; its payload as JSON."""
    values = {name: getattr(notice, name) for name in NOTICE_COLUMNS}
    values["payload"] = json.dumps(values["payload"])
    return tuple(storable(value) if isinstance(value, str) else value for value in values.values())


def notice_from(row: Row) -> Notice:
    """Return the notice of such a row."""
    values = dict(zip(NOTICE_COLUMNS, row, strict=True))
    values["payload"] = json.loads(values["payload"])
    return Notice(**values)


def node_row(node: NodeState) -> Row:
    """Return the node's row in the order of NODE_COLUMNS."""
    return _row_of(node, NODE_COLUMNS)


def node_from(row: Row) -> NodeState:
    """Return the node of such a row."""
    node, connected, since, power = row
    return NodeState(node, bool(connected), since, power)


def quarantine_row(item: Quarantined) -> Row:
    """Return the row in the order of QUARANTINE_COLUMNS; the payload cut to PAYLOAD_BYTES."""
    return (
        item.received,
        storable(item.topic),
        storable(item.code),
        storable(item.reason),
        bytes(item.payload[:PAYLOAD_BYTES]),
    )


def quarantine_from(row: Row) -> Quarantined:
    """Return the quarantined payload of such a row."""
    return Quarantined(*row)


def newest_from(ts: int, value: float, quality: int = 0, reason: str | None = None) -> Newest:
    """Return a newest reading of its columns."""
    return Newest(ts, value, Quality(quality), reason or "")


def _make_flags(values: dict[str, Any], names: Sequence[str]) -> None:
    for name in names:
        values[name] = bool(values[name])
