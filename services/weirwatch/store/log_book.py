"""The keeper's log in the file: its table, the book that writes it, and how it is read."""

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from threading import Lock

from weirwatch.domain.instant import Micros
from weirwatch.domain.keeper_log import Correction, LogEntry, Photo
from weirwatch.pipeline.calibrating import correction_of
from weirwatch.store import log_photos
from weirwatch.store.connection import open_writer, own_errors, transaction
from weirwatch.store.rows import insert_into, select_from, storable

TABLES = (
    """
    CREATE TABLE log_entry (        -- never changed: a correction is an entry of its own
      number INTEGER PRIMARY KEY AUTOINCREMENT,
      time INTEGER NOT NULL,
      recorded_at INTEGER NOT NULL,
      kind TEXT NOT NULL,
      system TEXT NOT NULL,
      subject TEXT NOT NULL,
      value REAL,
      unit TEXT NOT NULL,
      given TEXT NOT NULL,
      channel TEXT NOT NULL,
      detail TEXT NOT NULL,         -- JSON
      text TEXT NOT NULL,
      who TEXT NOT NULL,
      replaces INTEGER UNIQUE REFERENCES log_entry (number)
    ) STRICT
    """,
    "CREATE INDEX log_entry_by_time ON log_entry (time)",
)
_COLUMNS = (
    "time", "recorded_at", "kind", "system", "subject", "value", "unit", "given", "channel",
    "detail", "text", "who", "replaces",
)  # fmt: skip
_ADD = insert_into("log_entry", _COLUMNS)
_OLD = "(SELECT later.number FROM log_entry AS later WHERE later.replaces = log_entry.number)"
_TESTS = select_from(
    "log_entry",
    ("system", "subject", "value"),
    f"WHERE kind = 'test' AND value IS NOT NULL AND {_OLD} IS NULL ORDER BY time, number",
)
_FOUND = select_from("log_entry", ("number", *_COLUMNS, _OLD))


class LogBook:
    """Writes the log of an existing file that is up to date; any thread.

    Raises:
        TransientError, PermanentError: the file cannot be opened or written.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = Lock()
        self._connection = open_writer(path)

    def add(self, entries: Sequence[LogEntry]) -> Sequence[LogEntry]:
        """Store all of them durably, or none; return them with their numbers."""
        stored = []
        with self._lock, transaction(self._connection, self._path):
            for entry in entries:
                number = self._connection.execute(_ADD, _row(entry)).lastrowid
                stored.append(replace(entry, number=int(number or 0)))
        return stored

    def find(self, number: int) -> LogEntry | None:
        """Return one entry, or None."""
        with self._lock, own_errors(self._path):
            found = self._connection.execute(f"{_FOUND} WHERE number = ?", (number,)).fetchone()
            return None if found is None else _with_photos(self._connection, [_entry(found)])[0]

    def same(self, entry: LogEntry) -> LogEntry | None:
        """Return an entry that says the same of the same moment, or None."""
        with self._lock, own_errors(self._path):
            rows = self._connection.execute(f"{_FOUND} WHERE time = ?", (entry.time,)).fetchall()
        wanted = (entry.kind, entry.system, entry.subject, entry.value, entry.channel, entry.text)
        for found in map(_entry, rows):
            if wanted == (
                found.kind, found.system, found.subject, found.value, found.channel, found.text,
            ):  # fmt: skip
                return found
        return None

    def add_photo(self, photo: Photo, data: bytes) -> Photo:
        """Store a photo durably; the same one again for the same entry is the one that is there."""
        with self._lock, transaction(self._connection, self._path):
            return log_photos.add(self._connection, photo, data)

    def newest_tests(self) -> dict[str, dict[str, float]]:
        """Return the newest hand test of each quantity of each system, corrected ones left out."""
        with self._lock, own_errors(self._path):
            rows = self._connection.execute(_TESTS).fetchall()
        found: dict[str, dict[str, float]] = {}
        for system, subject, value in rows:
            found.setdefault(system, {})[subject] = value
        return found

    def corrections(self) -> dict[str, tuple[Correction, ...]]:
        """Return the corrections of every calibrated channel, oldest first."""
        with self._lock, own_errors(self._path):
            rows = self._connection.execute(
                f"{_FOUND} WHERE kind = 'calibration' ORDER BY number"
            ).fetchall()
        found: dict[str, tuple[Correction, ...]] = {}
        for entry in map(_entry, rows):
            correction = correction_of(entry.detail)
            found[entry.channel] = (*found.get(entry.channel, ()), correction)
        return found

    def close(self) -> None:
        """Close; idempotent."""
        self._connection.close()


def read_log(
    connection: sqlite3.Connection,
    start: Micros | None,
    end: Micros | None,
    kinds: Sequence[str],
    after: int,
    limit: int,
) -> Sequence[LogEntry]:
    """Return entries in order of recording, number > `after`, of a time in `[start, end)`."""
    where, values = ["number > ?"], [after]
    if start is not None:
        where.append("time >= ?")
        values.append(start)
    if end is not None:
        where.append("time < ?")
        values.append(end)
    marks = ", ".join("?" * len(kinds))
    more = f" AND kind IN ({marks})" if kinds else ""
    sql = f"{_FOUND} WHERE {' AND '.join(where)}{more} ORDER BY number LIMIT ?"
    found = connection.execute(sql, (*values, *kinds, limit)).fetchall()
    return _with_photos(connection, [_entry(row) for row in found])


def _with_photos(connection: sqlite3.Connection, entries: list[LogEntry]) -> list[LogEntry]:
    if not entries:
        return entries
    photos = log_photos.of_entries(connection, entries[0].number, entries[-1].number)
    return [replace(e, photos=photos[e.number]) if e.number in photos else e for e in entries]


def _row(entry: LogEntry) -> tuple[object, ...]:
    values = {name: getattr(entry, name) for name in _COLUMNS}
    values["detail"] = json.dumps(dict(entry.detail), allow_nan=False)
    return tuple(storable(value) if isinstance(value, str) else value for value in values.values())


def _entry(row: sqlite3.Row | tuple[object, ...]) -> LogEntry:
    number, *values, replaced_by = row
    fields = dict(zip(_COLUMNS, values, strict=True))
    fields["detail"] = json.loads(str(fields["detail"]))
    return LogEntry(**fields, number=number, replaced_by=replaced_by)  # type: ignore[arg-type]
