"""Photos of the log in a real file: durable, once each, with their entries, checked when read."""

import hashlib
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from weirwatch.domain.errors import PermanentError, RefusedEntry
from weirwatch.domain.keeper_log import LogEntry, Photo
from weirwatch.store.log_book import LogBook
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

DATA = b"\xff\xd8\xff and what follows"


def photo(entry: int, data: bytes = DATA) -> Photo:
    digest = hashlib.sha256(data).hexdigest()
    return Photo(entry, 7, "image/jpeg", len(data), digest, "Kari")


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / FILE_NAME
    SqliteJournal(path).close()
    with closing(LogBook(path)) as book:
        book.add([LogEntry(n, n, "note", "hall", text=f"note {n}") for n in (1, 2, 3)])
    return path


def test_a_photo_comes_with_its_entry_and_its_bytes_come_back(file: Path) -> None:
    with closing(LogBook(file)) as book:
        stored = book.add_photo(photo(2), DATA)
        assert stored.number == 1
        assert book.add_photo(photo(2), DATA) == stored  # sent twice, kept once
        other = book.add_photo(photo(2, b"another"), b"another")
        found = book.find(2)
        assert found is not None
        assert found.photos == (stored, other)
    with closing(SqliteArchive(file)) as archive:
        assert [len(e.photos) for e in archive.log(None, None, (), 0, 10)] == [0, 2, 0]
        assert archive.photo(1) == (stored, DATA)
        assert archive.photo(99) is None


def test_an_entry_that_is_not_there_takes_no_photo(file: Path) -> None:
    with closing(LogBook(file)) as book, pytest.raises(RefusedEntry):
        book.add_photo(photo(4), DATA)


def test_damaged_bytes_are_never_handed_out(file: Path) -> None:
    with closing(LogBook(file)) as book:
        book.add_photo(photo(1), DATA)
    with closing(sqlite3.connect(file)) as raw, raw:
        raw.execute("UPDATE log_photo SET data = ?", (b"\xff\xd8\xff something else",))
    with (
        closing(SqliteArchive(file)) as archive,
        pytest.raises(PermanentError, match="restore a backup"),
    ):
        archive.photo(1)
