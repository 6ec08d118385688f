"""The outbox's own troubles: no file, an unknown notice, another writer."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from support.stored import T0, notice

from weirwatch.domain.errors import PermanentError, TransientError
from weirwatch.ports import Group, OutboxStore
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal
from weirwatch.store.sqlite_outbox import SqliteOutbox


def test_it_is_the_port(journal: SqliteJournal, path: Path) -> None:
    port: OutboxStore = SqliteOutbox(path)
    assert port.next_due() is None
    port.close()
    port.close()


def test_it_makes_no_file(path: Path) -> None:
    with pytest.raises(TransientError, match="cannot be opened"):
        SqliteOutbox(path)
    assert list(path.parent.iterdir()) == []


def test_a_notice_that_never_was(journal: SqliteJournal, path: Path) -> None:
    with closing(SqliteOutbox(path)) as outbox:
        with pytest.raises(PermanentError, match="there is no notice 'x'"):
            outbox.delivered("x", T0)
        with pytest.raises(PermanentError, match="there is no notice 'x'"):
            outbox.failed("x", "why", None)


def test_while_another_writes(journal: SqliteJournal, path: Path, archive: SqliteArchive) -> None:
    journal.commit(Group(notices=[notice(1)]))
    with (
        closing(SqliteOutbox(path)) as outbox,
        closing(sqlite3.connect(path, isolation_level=None)) as other,
    ):
        outbox._connection.execute("PRAGMA busy_timeout = 50")
        other.execute("BEGIN IMMEDIATE")
        assert outbox.due(T0, 10) == [notice(1)]  # reading goes on
        with pytest.raises(TransientError, match="write lock"):
            outbox.delivered("1/keeper", T0)
        other.execute("ROLLBACK")
        assert outbox.due(T0, 10) == [notice(1)]
        outbox.failed("1/keeper", "odd \ud800", T0 + 1)
    assert archive.notices(0, 1)[0][1].last_error == "odd \\ud800"
