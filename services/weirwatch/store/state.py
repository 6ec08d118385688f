"""What the file remembers apart from history: alarms, newest readings, nodes, last life sign."""

import sqlite3
from collections.abc import Mapping

from weirwatch.domain.alarm import Alarm
from weirwatch.ports import Newest, NodeState, Restored
from weirwatch.store import rows

_ALARMS = rows.select_from("alarm", rows.ALARM_COLUMNS, "ORDER BY rule")
_NODES = rows.select_from("node", rows.NODE_COLUMNS, "ORDER BY node")
_NEWEST = """
    SELECT name, newest.ts, value, quality, text FROM newest
    JOIN channel ON channel.id = channel_id LEFT JOIN reason ON reason.id = reason_id
    ORDER BY name
"""
_NEWEST_GOOD = """
    SELECT name, ts, value FROM newest_good JOIN channel ON channel.id = channel_id ORDER BY name
"""


def restored(connection: sqlite3.Connection) -> Restored:
    """Return everything the service needs to go on where it stopped."""
    alive_at, clean_stop = connection.execute("SELECT alive_at, clean_stop FROM meta").fetchone()
    return Restored(
        alarms=alarms(connection),
        rule_marks=dict(connection.execute("SELECT rule, rule_mark FROM alarm").fetchall()),
        newest=newest(connection),
        newest_good={
            name: rows.newest_from(ts, value)
            for name, ts, value in connection.execute(_NEWEST_GOOD).fetchall()
        },
        nodes=nodes(connection),
        next_seq=last_seq(connection) + 1,
        alive_at=alive_at,
        clean_stop=bool(clean_stop),
        calling=dict(connection.execute("SELECT key, state FROM calling").fetchall()),
    )


def alarms(connection: sqlite3.Connection) -> Mapping[str, Alarm]:
    """Return every alarm by rule id."""
    found = map(rows.alarm_from, connection.execute(_ALARMS).fetchall())
    return {alarm.rule: alarm for alarm in found}


def newest(connection: sqlite3.Connection) -> Mapping[str, Newest]:
    """Return the newest reading of each channel; costs as much as there are channels."""
    return {name: rows.newest_from(*rest) for name, *rest in connection.execute(_NEWEST).fetchall()}


def nodes(connection: sqlite3.Connection) -> Mapping[str, NodeState]:
    """Return what each node last said of its connection."""
    found = map(rows.node_from, connection.execute(_NODES).fetchall())
    return {node.node: node for node in found}


def last_seq(connection: sqlite3.Connection) -> int:
    """Return the newest event's sequence number, 0 if none."""
    return int(connection.execute("SELECT coalesce(max(seq), 0) FROM event").fetchone()[0])
