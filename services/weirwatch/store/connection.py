"""How the file is opened, how a transaction runs on it, and how SQLite's errors become ours."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from weirwatch.domain.errors import ConfigError, PermanentError, TransientError, WeirwatchError

BUSY_TIMEOUT_MS = 10_000  # how long one writer waits for the other; its writes take milliseconds
JOURNAL_SIZE_LIMIT = 8 * 1024 * 1024  # bytes of log file kept after a checkpoint

_PRAGMAS = (
    f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}",
    "PRAGMA mmap_size = 0",  # a read error of a mapped file would kill the process
)
_NEW_FILE_PRAGMAS = (  # belong to the file, and must come before its first page is written
    "PRAGMA page_size = 4096",
    "PRAGMA auto_vacuum = INCREMENTAL",
)
_WRITER_PRAGMAS = (
    "PRAGMA journal_mode = WAL",
    "PRAGMA synchronous = FULL",  # every commit is on the disk when it returns
    f"PRAGMA journal_size_limit = {JOURNAL_SIZE_LIMIT}",
    "PRAGMA secure_delete = OFF",  # some builds overwrite what is deleted: wear, for no secret
)


class DiskFullError(TransientError):
    """The disk is full; the file is as it was."""


# SQLite's primary result codes: https://www.sqlite.org/rescode.html
DAMAGED_CODES = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})
_MAY_PASS = {
    sqlite3.SQLITE_BUSY: "another program has held its write lock for too long",
    sqlite3.SQLITE_LOCKED: "another program has held its write lock for too long",
    sqlite3.SQLITE_PROTOCOL: "another program has held its write lock for too long",
    sqlite3.SQLITE_NOMEM: "there is not enough memory",
    sqlite3.SQLITE_FULL: "the disk is full: free some space",
    sqlite3.SQLITE_IOERR: "the disk reports an error: check card, cable, power and mount",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened: check its permissions and the open-file limit",
}


def wal_of(path: Path) -> Path:
    """Return the write-ahead log that belongs to the file."""
    return path.with_name(path.name + "-wal")


def shm_of(path: Path) -> Path:
    """Return the shared-memory index of the log that belongs to the file."""
    return path.with_name(path.name + "-shm")


def journal_of(path: Path) -> Path:
    """Return the rollback journal that belongs to the file while it has no write-ahead log."""
    return path.with_name(path.name + "-journal")


def open_writer(path: Path) -> sqlite3.Connection:
    """Open an existing file for writing; one thread at a time may use the connection."""
    return _open(path, "rw", _PRAGMAS + _WRITER_PRAGMAS)


def open_new(path: Path) -> sqlite3.Connection:
    """Open an empty file for writing and give it its page size and vacuum mode."""
    return _open(path, "rw", _NEW_FILE_PRAGMAS + _PRAGMAS + _WRITER_PRAGMAS)


def open_reader(path: Path) -> sqlite3.Connection:
    """Open an existing file read-only; one thread at a time may use the connection.

    Raises:
        ConfigError: there is no file yet.
    """
    if not path.exists():
        raise ConfigError(
            f"{path}: no data yet; start the service once, or correct [service] data_dir"
        )
    if journal_of(path).exists():
        _roll_back(path)
    return _open(path, "ro", _PRAGMAS)


def _roll_back(path: Path) -> None:
    """Undo what a kill has left half done in a file without a write-ahead log.

    Such is a restored one until it is first opened for writing. A reader may not undo it, and would
    be refused the file: https://www.sqlite.org/rescode.html#readonly_rollback
    """
    with (
        suppress(WeirwatchError, sqlite3.Error),  # who cannot undo it learns so as a reader
        closing(_open(path, "rw", _PRAGMAS)) as connection,
    ):
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()


def _open(path: Path, mode: str, pragmas: tuple[str, ...]) -> sqlite3.Connection:
    with own_errors(path):
        connection = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode={mode}",
            uri=True,
            isolation_level=None,  # transactions are begun and ended by us alone
            check_same_thread=False,  # made by one thread, used and closed by another
        )
        try:
            for pragma in pragmas:
                connection.execute(pragma)
        except sqlite3.Error:
            connection.close()
            raise
    return connection


@contextmanager
def transaction(connection: sqlite3.Connection, path: Path) -> Iterator[None]:
    """Run the block in one write transaction: all of it is durable at the end, or nothing.

    Raises:
        TransientError: locked, disk full, input/output error; the file is as it was.
        PermanentError: any other error of SQLite, or a value that it cannot keep; likewise.
    """
    try:
        with own_errors(path):
            connection.execute("BEGIN IMMEDIATE")
            yield
            connection.execute("COMMIT")
    finally:
        if _in_transaction(connection):
            with suppress(sqlite3.Error):  # the first error is the one to tell
                connection.execute("ROLLBACK")


def _in_transaction(connection: sqlite3.Connection) -> bool:
    """Return whether a transaction is under way; False on a closed connection."""
    try:
        return connection.in_transaction
    except sqlite3.ProgrammingError:
        return False


@contextmanager
def own_errors(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into ours."""
    try:
        yield
    except sqlite3.Error as error:
        raise translated(error, path) from error
    except (OverflowError, UnicodeError, TypeError) as error:
        raise PermanentError(f"{path}: a value cannot be stored ({error})") from error


def code_of(error: sqlite3.Error) -> int:
    """Return SQLite's primary result code; 0 when Python itself raised the error."""
    return int(getattr(error, "sqlite_errorcode", 0)) & 0xFF


def translated(error: sqlite3.Error, path: Path) -> WeirwatchError:
    """Return the error of ours that says the same, as one sentence with the cure."""
    code = code_of(error)
    if code in _MAY_PASS:
        kind = DiskFullError if code == sqlite3.SQLITE_FULL else TransientError
        return kind(f"{path}: {_MAY_PASS[code]} ({error}); nothing was changed")
    if code in DAMAGED_CODES:
        return PermanentError(
            f"{path} is damaged ({error}): restart the service, which moves it aside and goes on"
            " with a new file"
        )
    if code == sqlite3.SQLITE_READONLY:
        return PermanentError(
            f"{path} cannot be written ({error}): it belongs to another user, or its disk has"
            " been mounted read-only after an error"
        )
    return PermanentError(f"{path}: SQLite refuses ({error}); nothing was changed")
