"""Putting a copy into the data folder in the place of the file there, which is kept.

At every moment the file under its name is the old one or the new one, whole: the copy is checked
under a name of its own first, the old file gets a second name in a folder of its own, and one
rename does the rest. What was in the old file's log is in the old file by then.
"""

import os
import shutil
import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from weirwatch.domain.alarm import Event
from weirwatch.domain.errors import PermanentError, WeirwatchError
from weirwatch.domain.instant import Micros
from weirwatch.store import backup, rows, state
from weirwatch.store.backup import Progress, Report
from weirwatch.store.connection import (
    journal_of,
    open_writer,
    own_errors,
    shm_of,
    transaction,
    wal_of,
)
from weirwatch.store.damage import new_folder
from weirwatch.store.schema import FILE_NAME, flush_folder, upgrade

_DRAFT = f"{FILE_NAME}.restoring"
_ADD_EVENT = rows.insert_into("event", ("seq", "committed_at", *rows.EVENT_COLUMNS))


@dataclass(frozen=True, slots=True)
class Restored:
    """What was done.

    Attributes:
        report: what is in the file now.
        kept: where the old file is, None when there was none.
    """

    report: Report
    kept: Path | None


def restore(
    copy: Path, data_dir: Path, now: Micros, stamp: str, progress: Progress | None = None
) -> Restored:
    """Put a checked copy of `copy` in the place of the folder's file; the caller holds its lock.

    Args:
        copy: made by `back_up`, or any file of ours.
        data_dir: the data folder.
        now: for the record that it was done.
        stamp: the time now as it may stand in a file name, as 20260501T120000Z.
        progress: is told how far it is.

    Raises:
        ConfigError: the copy is not there, or of a newer version, or does not fit on the disk.
        TransientError, PermanentError: it is not sound or cannot be put there; the folder's file
            is what it was.
    """
    path, draft = data_dir / FILE_NAME, data_dir / _DRAFT
    try:
        _forget_interrupted(path)
        report = backup.copy(copy, draft, progress)
        _sign(draft, copy, now)
        kept = _keep_old(path, stamp) if path.exists() else None
        draft.replace(path)
        flush_folder(data_dir)
    except OSError as error:
        raise PermanentError(f"{path}: cannot be put there ({error.strerror})") from error
    finally:
        backup.remove(draft)
    return Restored(report, kept)


def _sign(draft: Path, copy: Path, now: Micros) -> None:
    """Bring the draft up to date and put it on record that it was restored."""
    sentence = f"the record goes on from the copy {copy.name}: what came after it is not in it"
    with closing(open_writer(draft)) as connection:
        upgrade(connection, draft)
        with transaction(connection, draft):
            event = Event(now, "restored", message=sentence)
            row = (state.last_seq(connection) + 1, now, *rows.event_row(event))
            connection.execute(_ADD_EVENT, row)
        with own_errors(draft):  # no log may be left beside it: its name changes
            connection.execute("PRAGMA journal_mode = DELETE")


def _keep_old(path: Path, stamp: str) -> Path:
    """Give the old file a second name in a new folder; nothing of its log is left beside it."""
    folder = new_folder(path.with_name(f"replaced-{stamp}"))
    kept = folder / path.name
    with suppress(WeirwatchError, sqlite3.Error):  # a damaged one is kept with its log
        _empty_log(path)
    logs = (wal_of(path), shm_of(path), journal_of(path))
    for part in logs:
        if part.exists() and part.stat().st_size:
            shutil.copy2(part, folder / part.name)
    try:
        os.link(path, kept)
    except OSError:  # a file system without hard links
        shutil.copy2(path, kept)
    flush_folder(folder)
    for part in logs:  # of the old file: with the new one beside it any would be its ruin
        part.unlink(missing_ok=True)
    flush_folder(path.parent)
    return kept


def _forget_interrupted(path: Path) -> None:
    """Take away the second name of the present file that an interrupted restore has left."""
    for kept in path.parent.glob(f"replaced-*/{path.name}"):
        if path.exists() and kept.samefile(path):
            kept.unlink()
            with suppress(OSError):  # something else is in the folder
                kept.parent.rmdir()


def _empty_log(path: Path) -> None:
    with closing(open_writer(path)) as connection, own_errors(path):
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
