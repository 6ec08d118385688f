"""What the file remembers apart from history: alarms, newest readings, nodes, last life sign."""

import sqlite3
from collections.abc import Mapping

from weirwatch.domain.alarm import Alarm
from weirwatch.domain.instant import Micros
from weirwatch.ports import Newest, NodeState, Restored
from weirwatch.store import history, hot, rows
from weirwatch.store.block import QUALITY_BITS, QUALITY_MASK
from weirwatch.store.blocks import DamageNotes

_ALARMS = rows.select_from("alarm", rows.ALARM_COLUMNS, "ORDER BY rule")
_NODES = rows.select_from("node", rows.NODE_COLUMNS, "ORDER BY node")
_NAMES = "SELECT id, name FROM channel ORDER BY name"


def restored(connection: sqlite3.Connection) -> Restored:
    """Return everything the service needs to go on where it stopped."""
    (clean_stop,) = connection.execute("SELECT clean_stop FROM meta").fetchone()
    damage = DamageNotes()
    goods = {number: item.good for number, item in history.latest(connection, damage).items()}
    names = connection.execute(_NAMES).fetchall()
    return Restored(
        alarms=alarms(connection),
        rule_marks=dict(connection.execute("SELECT rule, rule_mark FROM alarm").fetchall()),
        newest=newest(connection, damage),
        newest_good={
            name: rows.newest_from(*good) for number, name in names if (good := goods.get(number))
        },
        nodes=nodes(connection),
        next_seq=last_seq(connection) + 1,
        alive_at=alive_at(connection),
        clean_stop=bool(clean_stop),
        calling=dict(connection.execute("SELECT key, state FROM calling").fetchall()),
    )


def alive_at(connection: sqlite3.Connection) -> Micros | None:
    """Return the later of the last mark and the last commit with readings."""
    (marked_at,) = connection.execute("SELECT alive_at FROM meta").fetchone()
    last = hot.last(connection)
    known = [time for time in (marked_at, last[1] if last else None) if time is not None]
    return max(known, default=None)


def alarms(connection: sqlite3.Connection) -> Mapping[str, Alarm]:
    """Return every alarm by rule id."""
    found = map(rows.alarm_from, connection.execute(_ALARMS).fetchall())
    return {alarm.rule: alarm for alarm in found}


def newest(connection: sqlite3.Connection, damage: DamageNotes) -> Mapping[str, Newest]:
    """Return the newest reading of each channel; costs as much as there are channels."""
    latest = history.latest(connection, damage)
    texts = history.reasons(connection) if any(item.code for item in latest.values()) else {0: ""}
    return {
        name: rows.newest_from(
            latest[number].ts,
            latest[number].value,
            latest[number].code & QUALITY_MASK,
            texts[latest[number].code >> QUALITY_BITS],
        )
        for number, name in connection.execute(_NAMES).fetchall()
        if number in latest
    }


def nodes(connection: sqlite3.Connection) -> Mapping[str, NodeState]:
    """Return what each node last said of its connection."""
    found = map(rows.node_from, connection.execute(_NODES).fetchall())
    return {node.node: node for node in found}


def last_seq(connection: sqlite3.Connection) -> int:
    """Return the newest event's sequence number, 0 if none."""
    return int(connection.execute("SELECT coalesce(max(seq), 0) FROM event").fetchone()[0])
