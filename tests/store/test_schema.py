"""Migrations: all or nothing, never backwards; and how a file is made."""

import sqlite3
import stat
from collections.abc import Iterator
from contextlib import closing
from dataclasses import fields
from pathlib import Path

import pytest
from support.stored import LEVEL, T0, readings

from weirwatch.domain.alarm import Alarm, Event
from weirwatch.domain.errors import ConfigError, PermanentError
from weirwatch.domain.reading import Channel
from weirwatch.ports import Group, NodeState, Notice, Quarantined
from weirwatch.store.connection import open_writer
from weirwatch.store.schema import MIGRATIONS, Migration, make_file, upgrade, version_of
from weirwatch.store.sqlite_journal import SqliteJournal

LATEST = len(MIGRATIONS)


@pytest.fixture
def connection(path: Path) -> Iterator[sqlite3.Connection]:
    make_file(path)
    connection = open_writer(path)
    yield connection
    connection.close()


def pragma(connection: sqlite3.Connection, name: str) -> object:
    return connection.execute(f"PRAGMA {name}").fetchone()[0]


def columns(connection: sqlite3.Connection, table: str) -> set[str]:
    return {row[1] for row in connection.execute(f"PRAGMA table_info({table})")}


def test_migrations_are_numbered_without_gaps() -> None:
    assert [migration.number for migration in MIGRATIONS] == list(range(1, LATEST + 1))


def test_a_new_file_has_its_settings(connection: sqlite3.Connection) -> None:
    assert pragma(connection, "journal_mode") == "wal"
    assert pragma(connection, "page_size") == 4096
    assert pragma(connection, "auto_vacuum") == 2  # incremental
    assert pragma(connection, "synchronous") == 2  # full
    assert pragma(connection, "mmap_size") == 0
    assert pragma(connection, "journal_size_limit") == 8 * 1024 * 1024
    assert pragma(connection, "busy_timeout") == 10_000


def test_a_new_file_and_its_log_are_private(connection: sqlite3.Connection, path: Path) -> None:
    connection.execute("UPDATE meta SET alive_at = 1")
    parts = sorted(path.parent.iterdir())
    assert [part.name for part in parts] == [path.name, f"{path.name}-shm", f"{path.name}-wal"]
    assert {stat.S_IMODE(part.stat().st_mode) for part in parts} == {0o600}


def test_what_a_crash_left_of_making_a_file_is_in_nobodys_way(path: Path) -> None:
    for name in (".new", ".new-wal", ".new-shm", ".new-journal"):
        path.with_name(path.name + name).write_bytes(b"half made")
    make_file(path)
    assert [part.name for part in path.parent.iterdir()] == [path.name]
    SqliteJournal(path).close()


def test_where_no_file_can_be_made(path: Path) -> None:
    with pytest.raises(PermanentError, match=r"cannot be made \(No such file or directory\)"):
        make_file(path.parent / "gone" / path.name)


@pytest.mark.parametrize(
    ("table", "kind", "besides"),
    [
        ("alarm", Alarm, {"rule_mark"}),
        ("event", Event, {"seq", "committed_at"}),
        ("notice", Notice, {"number"}),
        ("quarantine", Quarantined, {"id"}),
        ("node", NodeState, set()),
    ],
)
def test_every_field_has_its_column(
    connection: sqlite3.Connection, table: str, kind: type, besides: set[str]
) -> None:
    assert columns(connection, table) == {field.name for field in fields(kind)} | besides


def test_every_field_of_a_channel_has_its_column(connection: sqlite3.Connection) -> None:
    wanted = {field.name for field in fields(Channel)} - {"id", "valid"}
    assert columns(connection, "channel") == wanted | {"id", "name", "valid_low", "valid_high"}


def test_a_file_is_brought_up_to_date_once(connection: sqlite3.Connection, path: Path) -> None:
    more = (*MIGRATIONS, Migration(LATEST + 1, "notes", ("CREATE TABLE note (text TEXT)",)))
    upgrade(connection, path, more)
    upgrade(connection, path, more)
    assert version_of(connection, path) == LATEST + 1
    assert columns(connection, "note") == {"text"}


def test_a_migration_that_fails_leaves_nothing(connection: sqlite3.Connection, path: Path) -> None:
    before = list(connection.execute("SELECT sql FROM sqlite_schema"))
    good = Migration(LATEST + 1, "a good one", ("CREATE TABLE note (text TEXT)",))
    bad = Migration(
        LATEST + 2,
        "one that fails half way",
        (
            "INSERT INTO note VALUES ('half done')",
            "ALTER TABLE channel ADD COLUMN extra TEXT",
            "INSERT INTO nowhere VALUES (1)",
        ),
    )
    with pytest.raises(PermanentError, match=r"no such table: nowhere.*nothing was changed"):
        upgrade(connection, path, (*MIGRATIONS, good, bad))
    assert version_of(connection, path) == LATEST + 1
    assert list(connection.execute("SELECT text FROM note")) == []
    assert "extra" not in columns(connection, "channel")
    after = list(connection.execute("SELECT sql FROM sqlite_schema"))
    assert after == [*before, ("CREATE TABLE note (text TEXT)",)]


def test_a_newer_file_is_refused_and_untouched(path: Path) -> None:
    journal = SqliteJournal(path)
    number = journal.adopt((LEVEL,), ())[LEVEL.id]
    journal.commit(Group(readings=readings(number, [1.0, 2.0]), committed_at=T0))
    journal.close()
    with closing(sqlite3.connect(path)) as newer:
        newer.execute("INSERT INTO migration VALUES (99, 'from the future')")
        newer.commit()
    before = path.read_bytes()
    with pytest.raises(ConfigError, match=r"newer Weirwatch \(schema 99.*install the newer"):
        SqliteJournal(path)
    assert path.read_bytes() == before


def test_another_programs_file_is_refused(path: Path) -> None:
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE theirs (x)")
    with pytest.raises(PermanentError, match="another program: move it away"):
        SqliteJournal(path)
