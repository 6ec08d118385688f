"""Is the file damaged, and what becomes of it: checked at start, moved aside, never thrown away."""

import sqlite3
from contextlib import closing
from pathlib import Path

from weirwatch.domain.errors import PermanentError
from weirwatch.store.connection import (
    DAMAGED_CODES,
    code_of,
    journal_of,
    open_reader,
    shm_of,
    translated,
    wal_of,
)
from weirwatch.store.schema import flush_folder

# After an orderly stop, or in a larger file, indexes are not compared with their tables.
FULL_CHECK_BYTES = 200 * 1024 * 1024


def find_damage(path: Path) -> str | None:
    """Return what is wrong with the file as a clause, None when it is sound or not there.

    The file is only read: its log stays what it was, for those who try to salvage it. What a kill
    has left half done of a file without a log is undone.
    """
    if not path.exists():
        return "it is gone, only its log is left" if wal_of(path).exists() else None
    if path.stat().st_size == 0:
        return "it is empty (0 bytes)"
    try:
        with closing(open_reader(path)) as connection:
            return _examine(connection, path.stat().st_size)
    except sqlite3.Error as error:
        if code_of(error) in DAMAGED_CODES:
            return str(error)
        raise translated(error, path) from error


def _examine(connection: sqlite3.Connection, size: int) -> str | None:
    tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_schema")}
    if not {"migration", "meta"} <= tables:
        return "it has none of Weirwatch's tables"
    row = connection.execute("SELECT clean_stop FROM meta").fetchone()
    if row is None:
        return "its meta table has lost its row"
    full = not row[0] and size < FULL_CHECK_BYTES
    check = "integrity_check" if full else "quick_check"
    answer = str(connection.execute(f"PRAGMA {check}(1)").fetchone()[0])
    return None if answer == "ok" else f"{check} says: {' '.join(answer.split())}"


def move_aside(path: Path, damage: str, time_for_names: str) -> str:
    """Move the file with its log into a folder of its own; return the sentences for people.

    The main file goes first: if we are stopped half way, the log without its file is found
    damaged at the next start, and follows.

    Raises:
        PermanentError: it cannot be moved.
    """
    try:
        folder = new_folder(path.with_name(f"damaged-{time_for_names}"))
        for part in (path, wal_of(path), shm_of(path), journal_of(path)):
            if part.exists():
                part.rename(folder / part.name)
        flush_folder(folder)
        flush_folder(path.parent)
    except OSError as error:
        raise PermanentError(
            f"{path} is damaged ({damage}) and cannot be moved aside ({error.strerror}): move it"
            " away by hand"
        ) from error
    kept = folder / path.name
    # `.recover` would be the obvious advice, but Debian 12's shell is built without it.
    salvage = f"sqlite3 '{kept}' .dump | sed 's/^ROLLBACK;.*/COMMIT;/' | sqlite3 rescued.sqlite3"
    return (
        f"{path} is damaged: {damage}. It was moved to {folder} and a new, empty file was begun;"
        " history, alarm states and acknowledgements up to now are in the old one. To salvage what"
        f" can still be read, try: {salvage} (Debian package sqlite3); then stop the service and"
        f" put rescued.sqlite3 in the place of {path.name}."
    )


def new_folder(wanted: Path) -> Path:
    """Make a folder of this name, or with a number after it when there is one; mode 0700."""
    folder, count = wanted, 1
    while folder.exists():
        count += 1
        folder = wanted.with_name(f"{wanted.name}-{count}")
    folder.mkdir(mode=0o700)
    return folder
