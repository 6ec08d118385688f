"""How far the file's readings are known to be on the server; the only place that names `far`.

Readings reach the server from the recent ones in the file. They leave the file only when the
server was asked and has them: `confirmed_end` says before which time nothing but the server need
be asked, but for what came later than `confirmed_upto`.
"""

import sqlite3
from typing import NamedTuple

from weirwatch.domain.instant import Micros

TABLE = (
    """
    CREATE TABLE far (              -- one row; only used with a history on a server
      id INTEGER PRIMARY KEY CHECK (id = 1),
      sent_upto INTEGER NOT NULL,   -- reading.id
      confirmed_upto INTEGER NOT NULL,
      confirmed_end INTEGER         -- microseconds since 1970, UTC; a whole hour
    ) STRICT
    """,
    "INSERT INTO far (id, sent_upto, confirmed_upto) VALUES (1, 0, 0)",
)
_GET = "SELECT sent_upto, confirmed_upto, confirmed_end FROM far"
_SET = "UPDATE far SET sent_upto = ?, confirmed_upto = ?, confirmed_end = ?"


class Spool(NamedTuple):
    """How far the readings of the file are known to be on the server.

    Attributes:
        sent_upto: number of the last commit whose readings were sent.
        confirmed_upto, confirmed_end: readings before this time, of commits up to this number,
            were found there.
    """

    sent_upto: int
    confirmed_upto: int
    confirmed_end: Micros | None


def spool_of(connection: sqlite3.Connection) -> Spool:
    """Return how it stands."""
    return Spool(*connection.execute(_GET).fetchone())


def note_spool(connection: sqlite3.Connection, spool: Spool) -> None:
    """Write how it stands, within the caller's transaction."""
    connection.execute(_SET, spool)
