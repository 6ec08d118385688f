"""The log in the file: field for field, all or nothing, never changed, old files upgraded."""

from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from weirwatch.domain.errors import PermanentError
from weirwatch.domain.keeper_log import Correction, LogEntry
from weirwatch.store.connection import open_new
from weirwatch.store.log_book import LogBook
from weirwatch.store.schema import MIGRATIONS, upgrade
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

ENTRY = LogEntry(
    time=100,
    recorded_at=200,
    kind="test",
    system="hall",
    subject="alkalinity",
    value=8.2,
    unit="dKH",
    given="2.92 meq/L",
    channel="",
    detail={"a": [1, {"b": None}]},
    text="after the water change \ud83d",
    who="keeper",
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "log.sqlite3"
    SqliteJournal(path).close()
    return path


@pytest.fixture
def book(path: Path) -> Iterator[LogBook]:
    made = LogBook(path)
    yield made
    made.close()


def everything(path: Path) -> list[LogEntry]:
    archive = SqliteArchive(path)
    try:
        return list(archive.log(None, None, (), 0, 100))
    finally:
        archive.close()


def test_what_goes_in_comes_out(book: LogBook, path: Path) -> None:
    (stored,) = book.add([ENTRY])
    assert stored == replace(ENTRY, number=1)
    shown = replace(stored, text="after the water change \\ud83d")
    assert everything(path) == [shown]
    assert book.find(1) == shown
    assert book.find(2) is None


def test_all_of_them_or_none(book: LogBook, path: Path) -> None:
    book.add([ENTRY])
    with pytest.raises(PermanentError):
        book.add([replace(ENTRY, replaces=1), replace(ENTRY, replaces=1)])
    assert len(everything(path)) == 1


def test_ranges_kinds_and_pages(book: LogBook, path: Path) -> None:
    book.add([replace(ENTRY, time=t, kind=k) for t, k in ((1, "note"), (2, "test"), (3, "note"))])
    archive = SqliteArchive(path)
    try:
        assert [e.time for e in archive.log(2, 4, (), 0, 10)] == [2, 3]
        assert [e.time for e in archive.log(None, 3, ("note", "dose"), 0, 10)] == [1]
        assert [e.number for e in archive.log(None, None, (), 1, 1)] == [2]
    finally:
        archive.close()


def test_corrections_of_channels_in_order(book: LogBook) -> None:
    one = {"start": 10, "gain": 1.1, "shift": 0.5}
    two = {"start": 20, "gain": 1.0, "shift": 0.0}
    calibration = replace(ENTRY, kind="calibration", channel="hall/n/ph")
    book.add([replace(calibration, detail=one), replace(calibration, detail=two)])
    assert book.corrections() == {"hall/n/ph": (Correction(10, 1.1, 0.5), Correction(20, 1.0, 0.0))}


def test_a_file_from_before_the_log_gets_it(path: Path) -> None:
    older = path.with_name("older.sqlite3")
    older.touch()
    with closing(open_new(older)) as connection:
        upgrade(connection, older, MIGRATIONS[:3])
    SqliteJournal(older).close()
    assert everything(older) == []
