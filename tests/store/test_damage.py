"""A damaged file: noticed, moved aside with its log, and said so; never silently begun anew."""

import random
import re
import shutil
import sqlite3
import stat
import subprocess
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from support.stored import CHANNELS, LEVEL, T0, readings, whole_group

from weirwatch.domain.errors import PermanentError
from weirwatch.domain.instant import SECOND
from weirwatch.ports import Group
from weirwatch.store.connection import wal_of
from weirwatch.store.damage import find_damage
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal, open_journal

TIME = "20260501T120000Z"
PAGE = 4096


def fill(path: Path, *, clean: bool = False) -> None:
    journal = SqliteJournal(path)
    numbers = dict(journal.adopt(CHANNELS, ()))
    for place in range(250):
        some = readings(numbers[LEVEL.id], [1.0] * 20, start=T0 + place * 100 * SECOND)
        journal.commit(Group(readings=some))
    journal.commit(whole_group(numbers, 1))
    if clean:
        journal.mark_stopped(T0)
    journal.close()


def garbage_header(path: Path) -> None:
    path.write_bytes(b"this was once a list of readings" + path.read_bytes()[32:])


def not_a_database(path: Path) -> None:
    path.write_text("time,channel,value\n" * 1000)


def truncated(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2 + 100])


def truncated_to_nothing(path: Path) -> None:
    path.write_bytes(b"")


def flipped_bytes(path: Path) -> None:
    """Scatter wrong bytes over the heads of all pages but the first."""
    content = bytearray(path.read_bytes())
    chance = random.Random(7)
    for page in range(PAGE, len(content), PAGE):
        for _ in range(4):
            content[page + chance.randrange(8)] ^= 0xFF
    path.write_bytes(content)


def schema_wiped(path: Path) -> None:
    """A sound SQLite file, but empty: the tables are gone without a trace."""
    path.unlink()
    with closing(sqlite3.connect(path)) as empty:
        empty.execute("VACUUM")
        empty.execute("CREATE TABLE x (y)")
        empty.execute("DROP TABLE x")


def state_lost(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DELETE FROM meta")


DAMAGES: list[tuple[Callable[[Path], None], str]] = [
    (garbage_header, "file is not a database"),
    (not_a_database, "file is not a database"),
    (truncated, "malformed"),
    (truncated_to_nothing, "empty"),
    (flipped_bytes, r"integrity_check says|malformed"),
    (schema_wiped, "none of Weirwatch's tables"),
    (state_lost, "meta table"),
]


@pytest.mark.parametrize(("damage", "words"), DAMAGES, ids=lambda x: getattr(x, "__name__", ""))
def test_it_is_moved_aside_and_a_new_one_begun(
    path: Path, damage: Callable[[Path], None], words: str
) -> None:
    fill(path)
    damage(path)
    wrong = path.read_bytes()
    journal, message = open_journal(path.parent, TIME)
    kept = path.parent / f"damaged-{TIME}" / path.name
    assert message is not None
    assert message.startswith(f"{path} is damaged: ")
    assert f"moved to {kept.parent}" in message
    assert f"sqlite3 '{kept}' .dump" in message
    assert re.search(words, message)
    assert kept.read_bytes() == wrong
    assert stat.S_IMODE(kept.parent.stat().st_mode) == 0o700
    assert journal.restore().next_seq == 1
    assert journal.commit(whole_group(dict(journal.adopt(CHANNELS, ())), 1)) == 0
    journal.close()
    journal, message = open_journal(path.parent, TIME)
    assert (message, journal.restore().next_seq) == (None, 2)
    journal.close()


def test_the_log_goes_with_its_file(path: Path) -> None:
    fill(path)
    content = path.read_bytes()
    journal = SqliteJournal(path)  # holds the log open, as a killed service would leave it
    journal.commit(Group(committed_at=T0))
    log = wal_of(path).read_bytes()
    journal.close()
    path.write_bytes(b"x" * PAGE + content[PAGE:])
    wal_of(path).write_bytes(log)
    journal, message = open_journal(path.parent, TIME)
    journal.close()
    assert message is not None
    folder = path.parent / f"damaged-{TIME}"
    assert wal_of(folder / path.name).read_bytes() == log
    assert not wal_of(path).exists()


def test_a_log_without_its_file_is_not_thrown_away(path: Path) -> None:
    wal_of(path).write_bytes(b"the last readings")
    journal, message = open_journal(path.parent, TIME)
    journal.close()
    assert message is not None
    assert "only its log is left" in message
    kept = wal_of(path.parent / f"damaged-{TIME}" / path.name)
    assert kept.read_bytes() == b"the last readings"


def test_a_second_damage_at_the_same_time_overwrites_nothing(path: Path) -> None:
    for content in (b"first", b"second"):
        path.write_bytes(content)
        journal, message = open_journal(path.parent, TIME)
        journal.close()
        assert message is not None
        path.unlink()
    assert (path.parent / f"damaged-{TIME}" / path.name).read_bytes() == b"first"
    assert (path.parent / f"damaged-{TIME}-2" / path.name).read_bytes() == b"second"


def test_a_sound_file_is_opened_with_everything(path: Path) -> None:
    fill(path)
    for _ in range(2):
        journal, message = open_journal(path.parent, TIME)
        assert message is None
        assert journal.restore().next_seq == 2
        journal.close()
    assert [part.name for part in path.parent.iterdir()] == [path.name]


def test_no_file_at_all_is_no_damage(path: Path) -> None:
    journal, message = open_journal(path.parent, TIME)
    assert (message, journal.restore().alive_at) == (None, None)
    journal.close()


def test_after_an_unclean_stop_indexes_are_compared_too(path: Path) -> None:
    """An index that lost a row: `quick_check` does not see it, `integrity_check` does."""
    for clean in (True, False):
        path.unlink(missing_ok=True)
        fill(path, clean=clean)
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("PRAGMA writable_schema = ON")
            connection.execute(
                "UPDATE sqlite_schema SET sql = replace(sql, '(time)', '(time + 1)')"
                " WHERE name = 'event_by_time'"
            )
            connection.commit()
        assert (find_damage(path) is None) is clean


def test_damage_that_shows_while_running_is_an_error_of_ours(path: Path) -> None:
    fill(path)
    flipped_bytes(path)
    archive = SqliteArchive(path)
    with pytest.raises(PermanentError, match=r"is damaged .*restart the service"):
        archive.readings(LEVEL.id, T0, T0 + 10**6 * SECOND, None, 10_000)
    archive.close()


def test_the_way_to_salvage_that_we_name_works(path: Path) -> None:
    if shutil.which("sqlite3") is None:
        pytest.skip("sqlite3 not found: apt-get install sqlite3")
    fill(path)
    content = bytearray(path.read_bytes())
    place = len(content) - 5 * PAGE  # readings, which were written last
    content[place : place + PAGE] = b"\xee" * PAGE
    path.write_bytes(content)
    journal, message = open_journal(path.parent, TIME)
    journal.close()
    assert message is not None
    command = message[message.index("sqlite3 '") : message.index(" (Debian")]
    subprocess.run(["sh", "-c", command], cwd=path.parent, check=True, timeout=60)
    (path.parent / "rescued.sqlite3").replace(path)
    journal, message = open_journal(path.parent, TIME)
    assert message is None
    assert journal.restore().next_seq == 2
    journal.close()
    archive = SqliteArchive(path)
    saved = archive.readings(LEVEL.id, T0, T0 + 10**6 * SECOND, None, 10_000)
    assert 4000 < len(saved) < 5001
    archive.close()


def test_a_damaged_file_is_never_opened_as_it_is(path: Path) -> None:
    not_a_database(path)
    wrong = path.read_bytes()
    with pytest.raises(PermanentError, match=r"is damaged .*restart the service"):
        SqliteJournal(path)
    assert path.read_bytes() == wrong


def test_a_damaged_file_that_cannot_be_moved_stays(path: Path) -> None:
    not_a_database(path)
    wrong = path.read_bytes()
    with pytest.raises(PermanentError, match=r"cannot be moved aside .*by hand"):
        open_journal(path.parent, "x" * 300)  # no file system takes such a name
    assert path.read_bytes() == wrong
