"""What is on record of tests of notices: read by the outbox and by whoever only reads."""

import sqlite3
from collections.abc import Mapping

from weirwatch.domain.instant import Micros

# By the index of ids: the table of notices may be long, and tests are few.
_TESTED = """
SELECT recipient, max(delivered_at) FROM notice
WHERE id >= 'test-' AND id < 'test.' AND state = 'delivered' GROUP BY recipient
"""


def tested(connection: sqlite3.Connection) -> Mapping[str, Micros]:
    """Return by recipient when a test notice last arrived."""
    return dict(connection.execute(_TESTED).fetchall())


def first_event_at(connection: sqlite3.Connection) -> Micros | None:
    """Return the time of the file's first event, or None."""
    found = connection.execute("SELECT time FROM event ORDER BY seq LIMIT 1").fetchone()
    return None if found is None else int(found[0])


def last_event_at(connection: sqlite3.Connection, kind: str) -> Micros | None:
    """Return the time of the newest event of a kind, or None."""
    found = connection.execute("SELECT max(time) FROM event WHERE kind = ?", (kind,)).fetchone()
    return None if found[0] is None else int(found[0])
