"""A copy of the file, made while the service writes, and believed only once it was read again.

`copy` is the one way that the whole file is copied: `back_up` puts the copy anywhere, and
`restore.py` puts one into the data folder. A copy has its name only when it is whole and checked.
"""

import os
import shutil
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from weirwatch.domain.errors import ConfigError, PermanentError, TransientError
from weirwatch.domain.instant import Micros
from weirwatch.store import blocks, hot, state
from weirwatch.store.blocks import DamageNotes
from weirwatch.store.connection import journal_of, open_reader, own_errors, shm_of, wal_of
from weirwatch.store.schema import flush_folder, refuse_newer, version_of

_PAGES = 256  # a MiB a step
_SPARE_BYTES = 16 * 1024 * 1024  # to be left on the disk of the copy
_LARGE = frozenset({"block_data"})  # its rows are counted by the check of all blocks

Progress = Callable[[int, int], None]  # pages done, pages altogether


@dataclass(frozen=True, slots=True)
class Report:
    """What is in a copy, read from the copy.

    Attributes:
        size: bytes.
        rows: how many rows each table has.
        parts: blocks and commits of readings whose check sum was compared.
        damaged: those of them that are not what was written; they were so in the original.
        alive_at: the last sign of life in it, None in an empty file.
    """

    size: int
    rows: Mapping[str, int]
    parts: int
    damaged: Sequence[str]
    alive_at: Micros | None


def back_up(path: Path, target: Path, *, replace: bool, progress: Progress | None = None) -> Report:
    """Copy the file to `target`, one state of it, and check the copy; anyone may go on writing.

    Args:
        path: the file.
        target: where the copy gets its name when it is checked; mode 0600.
        replace: take the place of a file that is there.
        progress: is told how far it is.

    Raises:
        ConfigError: there is no file, or something at the target already, or no such folder.
        TransientError: the disk is full, or reports an error; the target is as it was.
        PermanentError: the copy is not sound; likewise.
    """
    _refuse_target(path, target, replace=replace)
    draft = target.with_name(target.name + ".part")
    try:
        report = copy(path, draft, progress)
        draft.replace(target)
        flush_folder(target.parent)
    except OSError as error:
        raise TransientError(f"{target}: cannot be written ({error.strerror})") from error
    finally:
        remove(draft)
    return report


def copy(path: Path, draft: Path, progress: Progress | None = None) -> Report:
    """Copy the file and check the copy: durable, one file without a log, mode 0600.

    Raises:
        ConfigError: there is no such file, or it was written by a newer version.
        TransientError: the disk is full, or reports an error.
        PermanentError: the file is not ours, or the copy is not sound.
    """
    with closing(open_reader(path)) as source, own_errors(path):
        _refuse_version(source, path)
        _refuse_small_disk(path, draft)
        remove(draft)
        os.close(os.open(draft, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        source.execute("BEGIN")  # one state of the file, however long it takes
        rows = _count(source)
        with closing(sqlite3.connect(draft, isolation_level=None)) as copied, own_errors(draft):
            source.backup(copied, pages=_PAGES, progress=_told(progress))
            copied.execute("PRAGMA journal_mode = DELETE")  # everything in the one file
    _flush(draft)
    report = examine(draft)
    if report.rows != rows:
        raise PermanentError(f"{draft}: the copy has other rows than {path}; try again")
    return report


def examine(path: Path) -> Report:
    """Read a whole file: SQLite's own check, every check sum, every row counted.

    Raises:
        ConfigError: there is no such file, or it was written by a newer version.
        PermanentError: it is not ours, or not sound.
    """
    damage = DamageNotes()
    with closing(open_reader(path)) as connection, own_errors(path):
        _refuse_version(connection, path)
        answer = str(connection.execute("PRAGMA integrity_check(1)").fetchone()[0])
        if answer != "ok":
            raise PermanentError(f"{path} is damaged: integrity_check says {answer}")
        connection.execute("BEGIN")
        parts = hot.verify(connection, damage) + blocks.verify(connection, damage)
        return Report(
            size=path.stat().st_size,
            rows=_count(connection),
            parts=parts,
            damaged=sorted(damage.noted),
            alive_at=state.alive_at(connection),
        )


def remove(path: Path) -> None:
    """Remove a file that was only a draft, with what SQLite may have left beside it."""
    with suppress(OSError):
        for part in (path, wal_of(path), shm_of(path), journal_of(path)):
            part.unlink(missing_ok=True)


def _refuse_version(connection: sqlite3.Connection, path: Path) -> None:
    version = version_of(connection, path)
    if version == 0:
        raise PermanentError(f"{path} is empty: there is nothing of Weirwatch in it")
    refuse_newer(version, path)


def _refuse_target(path: Path, target: Path, *, replace: bool) -> None:
    if not target.parent.is_dir():
        raise ConfigError(f"{target}: the folder {target.parent} does not exist: make or mount it")
    if target.exists() and path.exists() and target.samefile(path):
        raise ConfigError(f"{target} is the file itself: name another place")
    if target.exists() and not target.is_file():
        raise ConfigError(f"{target} is no file, and a copy takes no device's place: name a file")
    if target.exists() and not replace:
        raise ConfigError(
            f"{target} is there already: choose another name, or --replace it (it stays what it"
            " is until the new copy is checked)"
        )


def _refuse_small_disk(path: Path, draft: Path) -> None:
    needed = path.stat().st_size + _SPARE_BYTES
    free = shutil.disk_usage(draft.parent).free
    if free < needed:
        raise ConfigError(
            f"{draft.parent}: {free / 1e6:.0f} MB are free, the copy needs"
            f" {needed / 1e6:.0f} MB: make room, or choose another disk"
        )


def _count(connection: sqlite3.Connection) -> dict[str, int]:
    names = connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")
    return {
        name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]  # noqa: S608 - the file's own names
        for (name,) in names.fetchall()
        if name not in _LARGE
    }


def _told(progress: Progress | None) -> Callable[[int, int, int], None] | None:
    if progress is None:
        return None
    return lambda _, remaining, total: progress(total - remaining, total)


def _flush(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
