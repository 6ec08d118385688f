"""What the tables are: the numbered migrations, and how a file is made and brought up to date."""

import os
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from weirwatch.domain.errors import ConfigError, PermanentError
from weirwatch.store import access, ageing, log_book, log_photos, old_blocks, spans
from weirwatch.store.connection import (
    journal_of,
    open_new,
    own_errors,
    shm_of,
    transaction,
    wal_of,
)
from weirwatch.store.far import spool as far

FILE_NAME = "weirwatch.sqlite3"

# Older SQLite has no STRICT tables (https://www.sqlite.org/stricttables.html).
_OLDEST_SQLITE = (3, 37, 0)


@dataclass(frozen=True, slots=True)
class Migration:
    """One step from the schema before it; a released one is never edited.

    Attributes:
        number: 1, 2, 3, … without gaps.
        name: what it does, for people.
        statements: run in order, in the transaction that also records the number.
    """

    number: int
    name: str
    statements: tuple[str, ...]


MIGRATIONS: tuple[Migration, ...] = (
    Migration(
        1,
        "channels, readings, alarms, events, notices, quarantine, nodes",
        (
            """
            CREATE TABLE channel (
              id INTEGER PRIMARY KEY,       -- the number readings carry; never used again
              name TEXT NOT NULL UNIQUE,    -- system/node/name, as on the wire
              quantity TEXT NOT NULL,
              unit TEXT NOT NULL,
              expected_every INTEGER,
              silent_after INTEGER,
              valid_low REAL,
              valid_high REAL,
              resolution REAL,
              warm_up INTEGER NOT NULL,
              vessel TEXT NOT NULL,
              title TEXT NOT NULL
            ) STRICT
            """,
            """
            CREATE TABLE reason (           -- why a reading is not good: few texts, many readings
              id INTEGER PRIMARY KEY,
              text TEXT NOT NULL UNIQUE
            ) STRICT
            """,
            """
            CREATE TABLE reading (          -- one row is one commit's readings, of the last hours
              id INTEGER PRIMARY KEY,       -- commit order; never used again
              at INTEGER NOT NULL,          -- time of the commit
              t_first INTEGER NOT NULL,     -- microseconds since 1970, UTC
              t_last INTEGER NOT NULL,
              records BLOB NOT NULL         -- see hot.py
            ) STRICT
            """,
            """
            CREATE TABLE block (            -- one channel's readings of one hour
              channel_id INTEGER NOT NULL,
              t0 INTEGER NOT NULL,          -- hours since 1970, UTC
              n INTEGER NOT NULL,           -- readings that are not bad; the summary is of these
              t_first INTEGER,              -- microseconds after the hour's start
              t_last INTEGER,
              vmin REAL,
              vmax REAL,
              vsum REAL,
              vfirst REAL,
              vlast REAL,
              codec INTEGER NOT NULL,       -- see packing.py
              crc INTEGER NOT NULL,         -- of this row and its data; of the row alone without
              data_id INTEGER,              -- NULL when the readings were let go
              PRIMARY KEY (channel_id, t0)
            ) STRICT, WITHOUT ROWID
            """,
            """
            CREATE TABLE block_data (
              id INTEGER PRIMARY KEY,
              ts BLOB NOT NULL,
              value BLOB NOT NULL,
              quality BLOB                  -- NULL when every reading is plain good
            ) STRICT
            """,
            """
            CREATE TABLE damaged_block (    -- set aside when a late reading came for it
              id INTEGER PRIMARY KEY,
              channel_id INTEGER NOT NULL,
              t0 INTEGER NOT NULL,
              n INTEGER,
              t_first INTEGER,
              t_last INTEGER,
              vmin REAL,
              vmax REAL,
              vsum REAL,
              vfirst REAL,
              vlast REAL,
              codec INTEGER,
              crc INTEGER,
              data_id INTEGER
            )
            """,
            """
            CREATE TABLE newest (           -- of any quality; and since when there are readings
              channel_id INTEGER PRIMARY KEY,
              ts INTEGER NOT NULL,
              value REAL NOT NULL,
              code INTEGER NOT NULL,        -- quality and reason, see block.py
              first_ts INTEGER NOT NULL
            ) STRICT
            """,
            """
            CREATE TABLE newest_good (
              channel_id INTEGER PRIMARY KEY,
              ts INTEGER NOT NULL,
              value REAL NOT NULL
            ) STRICT
            """,
            """
            CREATE TABLE event (
              seq INTEGER PRIMARY KEY,      -- commit order
              committed_at INTEGER NOT NULL,
              time INTEGER NOT NULL,
              kind TEXT NOT NULL,
              rule TEXT NOT NULL,
              channel TEXT NOT NULL,
              from_state TEXT NOT NULL,
              to_state TEXT NOT NULL,
              service_from TEXT NOT NULL,
              service_to TEXT NOT NULL,
              value REAL,
              annunciated INTEGER NOT NULL,
              who TEXT NOT NULL,
              comment TEXT NOT NULL,
              late INTEGER NOT NULL,
              drill INTEGER NOT NULL,
              message TEXT NOT NULL
            ) STRICT
            """,
            "CREATE INDEX event_by_time ON event (time)",
            """
            CREATE TABLE alarm (
              rule TEXT PRIMARY KEY,
              rule_mark TEXT NOT NULL,      -- fingerprint of the rule it was judged by
              state TEXT NOT NULL,
              service_state TEXT NOT NULL,
              present INTEGER NOT NULL,
              count_since INTEGER,
              raised_at INTEGER,
              returned_at INTEGER,
              acknowledged_at INTEGER,
              acknowledged_by TEXT NOT NULL,
              check_in_at INTEGER,
              value REAL,
              raised_value REAL,
              announced INTEGER NOT NULL,
              heard INTEGER NOT NULL,
              causes_gone_at INTEGER,
              shelved_until INTEGER,
              one_shot INTEGER NOT NULL,
              out_until INTEGER,
              hold_until INTEGER,
              message TEXT NOT NULL,
              forecast_at INTEGER,
              first_out INTEGER NOT NULL
            ) STRICT, WITHOUT ROWID
            """,
            """
            CREATE TABLE notice (
              number INTEGER PRIMARY KEY,
              id TEXT NOT NULL UNIQUE,
              event_seq INTEGER NOT NULL,
              recipient TEXT NOT NULL,
              created INTEGER NOT NULL,
              text TEXT NOT NULL,
              payload TEXT NOT NULL,        -- JSON
              state TEXT NOT NULL,          -- pending, delivered, given-up
              attempts INTEGER NOT NULL,
              next_try INTEGER NOT NULL,
              delivered_at INTEGER,
              last_error TEXT NOT NULL
            ) STRICT
            """,
            "CREATE INDEX notice_due ON notice (next_try) WHERE state = 'pending'",
            """
            CREATE TABLE quarantine (       -- the newest; see quarantine_count for all
              id INTEGER PRIMARY KEY,
              received INTEGER NOT NULL,
              topic TEXT NOT NULL,
              code TEXT NOT NULL,
              reason TEXT NOT NULL,
              payload BLOB NOT NULL
            ) STRICT
            """,
            """
            CREATE TABLE quarantine_count ( -- since the file was made
              code TEXT PRIMARY KEY,
              count INTEGER NOT NULL
            ) STRICT, WITHOUT ROWID
            """,
            """
            CREATE TABLE node (
              node TEXT PRIMARY KEY,        -- system/node
              connected INTEGER NOT NULL,
              since INTEGER NOT NULL,
              power TEXT NOT NULL
            ) STRICT, WITHOUT ROWID
            """,
            """
            CREATE TABLE meta (             -- one row
              id INTEGER PRIMARY KEY CHECK (id = 1),
              alive_at INTEGER,             -- last known to be alive; see reading.at
              clean_stop INTEGER NOT NULL,
              newest_upto INTEGER NOT NULL DEFAULT 0, -- reading.id up to which newest is right
              sealed_end INTEGER,           -- first hour without any block
              raw_from INTEGER              -- hour before which no block has readings
            ) STRICT
            """,
            "INSERT INTO meta (id, clean_stop) VALUES (1, 0)",
        ),
    ),
    Migration(2, "tokens, and the audit of who did what", access.TABLES),
    Migration(
        3,
        "how telling stands",
        (
            """
            CREATE TABLE calling (
              key TEXT PRIMARY KEY,         -- a rule, or see pipeline/calling.py
              state TEXT NOT NULL           -- JSON
            ) STRICT, WITHOUT ROWID
            """,
        ),
    ),
    Migration(4, "the keeper's log", log_book.TABLES),
    Migration(5, "photos of the log", log_photos.TABLES),
    Migration(6, "how far a history on a server is", far.TABLE),
    Migration(
        7,
        "how fast a channel may change, and how long it may stand still",
        (
            "ALTER TABLE channel ADD COLUMN max_change_per_s REAL",
            "ALTER TABLE channel ADD COLUMN frozen_after INTEGER",
        ),
    ),
    Migration(8, "summaries of three weeks in one row", spans.TABLES),
    Migration(
        9,
        "what the states of a switch are called",
        ("""ALTER TABLE channel ADD COLUMN states TEXT NOT NULL DEFAULT '["off", "on"]'""",),
    ),
    Migration(10, "summaries of three weeks packed smaller", spans.PACKED_ANEW),
    Migration(11, "how far readings were let go, channel by channel", old_blocks.TABLES),
    Migration(12, "by which day readings age", ageing.TABLES),
    Migration(13, "pages that are signed in", access.SESSIONS),
)


def make_file(path: Path) -> None:
    """Make a new file with mode 0600, whole from the moment it has its name.

    A file under its own name is thus never empty or half made: if it is, it was damaged later.

    Raises:
        TransientError, PermanentError: the disk does not let us.
    """
    draft = path.with_name(path.name + ".new")
    try:
        for left in (draft, wal_of(draft), shm_of(draft), journal_of(draft)):
            left.unlink(missing_ok=True)
        os.close(os.open(draft, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        with closing(open_new(draft)) as connection:
            upgrade(connection, path)
        draft.replace(path)
        flush_folder(path.parent)
    except OSError as error:
        raise PermanentError(
            f"{path} cannot be made ({error.strerror}): check that its folder can be written"
        ) from error


def flush_folder(folder: Path) -> None:
    """Make new and changed names in a folder durable."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def upgrade(
    connection: sqlite3.Connection, path: Path, migrations: tuple[Migration, ...] = MIGRATIONS
) -> None:
    """Run the migrations that the file has not seen, each in a transaction with its record.

    Raises:
        ConfigError: the file was written by a newer version.
        TransientError, PermanentError: a migration failed; those before it stay.
    """
    done = version_of(connection, path)
    refuse_newer(done, path, len(migrations))
    for migration in migrations[done:]:
        with transaction(connection, path):
            if migration.number == 1:
                connection.execute(
                    "CREATE TABLE migration (number INTEGER PRIMARY KEY, name TEXT NOT NULL) STRICT"
                )
            for statement in migration.statements:
                connection.execute(statement)
            connection.execute(
                "INSERT INTO migration VALUES (?, ?)", (migration.number, migration.name)
            )


def version_of(connection: sqlite3.Connection, path: Path) -> int:
    """Return the number of the last migration the file has seen, 0 for an empty file.

    Raises:
        PermanentError: the SQLite is too old, or the file has tables but none of ours.
    """
    if sqlite3.sqlite_version_info < _OLDEST_SQLITE:
        raise PermanentError(
            f"this Python has SQLite {sqlite3.sqlite_version}; Weirwatch needs 3.37 or newer:"
            " use a newer Python"
        )
    with own_errors(path):
        tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_schema")}
        if "migration" in tables:
            return int(connection.execute("SELECT max(number) FROM migration").fetchone()[0])
    if tables:
        raise PermanentError(f"{path} is a SQLite file of another program: move it away")
    return 0


def refuse_newer(version: int, path: Path, known: int = len(MIGRATIONS)) -> None:
    """Refuse a file whose schema this version does not know.

    Raises:
        ConfigError: with the cure.
    """
    if version > known:
        raise ConfigError(
            f"{path} was written by a newer Weirwatch (schema {version}, this one knows {known}):"
            " install the newer version again, or restore a backup made before it"
        )
