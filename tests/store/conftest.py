"""One data folder per test, with the stores on its file."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from support.stored import CHANNELS, Stores

from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal
from weirwatch.store.sqlite_outbox import SqliteOutbox


@pytest.fixture
def path(tmp_path: Path) -> Path:
    folder = tmp_path / "data"
    folder.mkdir()
    return folder / FILE_NAME


@pytest.fixture
def journal(path: Path) -> Iterator[SqliteJournal]:
    journal = SqliteJournal(path)
    yield journal
    journal.close()


@pytest.fixture
def numbers(journal: SqliteJournal) -> dict[str, int]:
    return dict(journal.adopt(CHANNELS, ()))


@pytest.fixture
def archive(path: Path) -> Iterator[SqliteArchive]:
    archive = SqliteArchive(path)
    yield archive
    archive.close()


def sqlite_stores(path: Path) -> Stores:
    journal = SqliteJournal(path)
    return Stores(path, journal, SqliteOutbox(path), SqliteArchive(path))


@pytest.fixture(params=[sqlite_stores], ids=["sqlite"])
def stores(request: pytest.FixtureRequest, path: Path) -> Iterator[Stores]:
    """Every implementation; the contract in test_contract.py runs against each."""
    stores: Stores = request.param(path)
    yield stores
    stores.close()
