"""What could not be used: the newest of it, and how much there was of each kind."""

import sqlite3
from collections.abc import Iterable

from weirwatch.ports import Quarantined
from weirwatch.store import rows

QUARANTINE_KEPT = 1000

_ADD = rows.insert_into("quarantine", rows.QUARANTINE_COLUMNS)
_COUNT = """
    INSERT INTO quarantine_count (code, count) VALUES (?, 1)
    ON CONFLICT (code) DO UPDATE SET count = count + 1
"""
_FORGET = "DELETE FROM quarantine WHERE id <= (SELECT max(id) FROM quarantine) - ?"


def add_quarantined(connection: sqlite3.Connection, items: Iterable[Quarantined]) -> None:
    """Put items into quarantine within the caller's transaction; the oldest give way."""
    found = [rows.quarantine_row(item) for item in items]
    connection.executemany(_ADD, found)
    connection.executemany(_COUNT, [(code,) for _, _, code, _, _ in found])
    connection.execute(_FORGET, (QUARANTINE_KEPT,))
