"""Photos of the log in the file: their table, and how they are added and read.

They lie in the same file as everything else, so that every backup has them.
"""

import hashlib
import sqlite3
from collections.abc import Sequence
from dataclasses import replace

from weirwatch.domain.errors import PermanentError, RefusedEntry
from weirwatch.domain.keeper_log import Photo
from weirwatch.store.rows import insert_into, select_from, storable

TABLES = (
    """
    CREATE TABLE log_photo (        -- never changed, as the entries are not
      number INTEGER PRIMARY KEY AUTOINCREMENT,
      entry INTEGER NOT NULL REFERENCES log_entry (number),
      added_at INTEGER NOT NULL,
      media_type TEXT NOT NULL,
      size INTEGER NOT NULL,
      sha256 TEXT NOT NULL,
      who TEXT NOT NULL,
      data BLOB NOT NULL,           -- last, so that a row's head is read without it
      UNIQUE (entry, sha256)
    ) STRICT
    """,
)
_COLUMNS = ("entry", "added_at", "media_type", "size", "sha256", "who")
_ADD = insert_into("log_photo", (*_COLUMNS, "data"))
_FOUND = select_from("log_photo", (*_COLUMNS, "number"))
_ENTRY = select_from("log_entry", ("number",), "WHERE number = ?")
_WITH_DATA = select_from("log_photo", (*_COLUMNS, "number", "data"), "WHERE number = ?")


def add(connection: sqlite3.Connection, photo: Photo, data: bytes) -> Photo:
    """Store a photo in the caller's transaction; the same one again is the one that is there."""
    same = "WHERE entry = ? AND sha256 = ?"
    found = connection.execute(f"{_FOUND} {same}", (photo.entry, photo.sha256)).fetchone()
    if found is not None:
        return Photo(*found)
    if connection.execute(_ENTRY, (photo.entry,)).fetchone() is None:
        raise RefusedEntry(f"there is no entry {photo.entry} to put a photo to")
    values = [getattr(photo, name) for name in _COLUMNS]
    row = [storable(value) if isinstance(value, str) else value for value in values]
    number = connection.execute(_ADD, (*row, data)).lastrowid
    return replace(photo, number=int(number or 0))


def of_entries(
    connection: sqlite3.Connection, first: int, last: int
) -> dict[int, tuple[Photo, ...]]:
    """Return the photos of the entries `first` to `last` by entry, without their bytes."""
    found: dict[int, tuple[Photo, ...]] = {}
    where = "WHERE entry BETWEEN ? AND ? ORDER BY number"
    for row in connection.execute(f"{_FOUND} {where}", (first, last)).fetchall():
        photo = Photo(*row)
        found[photo.entry] = (*found.get(photo.entry, ()), photo)
    return found


def read(connection: sqlite3.Connection, number: int) -> tuple[Photo, bytes] | None:
    """Return a photo and its bytes, or None.

    Raises:
        PermanentError: the bytes are no longer those that were stored.
    """
    row: Sequence[object] | None = connection.execute(_WITH_DATA, (number,)).fetchone()
    if row is None:
        return None
    *fields, data = row
    photo = Photo(*fields)  # type: ignore[arg-type]
    if not isinstance(data, bytes) or hashlib.sha256(data).hexdigest() != photo.sha256:
        raise PermanentError(f"photo {number} of the log is damaged in the file: restore a backup")
    return photo, data
