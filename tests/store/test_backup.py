"""A copy made while others write: whole, checked, and never half under its name."""

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

import pytest
from support.stored import CHANNELS, LEVEL, T0, readings, tend, whole_group

from weirwatch.domain.errors import ConfigError, PermanentError
from weirwatch.domain.instant import SECOND
from weirwatch.ports import Group
from weirwatch.store import backup
from weirwatch.store.backup import back_up
from weirwatch.store.block import HOUR
from weirwatch.store.connection import journal_of
from weirwatch.store.damage import find_damage
from weirwatch.store.lock import WriterLock
from weirwatch.store.restore import restore
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

TESTS = Path(__file__).parents[1]
FAR = 2**60


def filled(journal: SqliteJournal, hours: int = 5) -> None:
    """Some hours of readings, the older of them sealed, and one of everything else."""
    numbers = dict(journal.adopt(CHANNELS, ()))
    for seq in range(1, hours + 1):
        group = whole_group(numbers, seq)
        start = T0 + seq * HOUR
        group.readings = readings(numbers[LEVEL.id], [seq + n / 8 for n in range(360)], start)
        group.committed_at = start + HOUR
        journal.commit(group)
        tend(journal, start + HOUR)


def values(path: Path) -> list[tuple[int, float]]:
    with closing(SqliteArchive(path)) as archive:
        return [(r.time, r.value) for r in archive.readings(LEVEL.id, 0, FAR, None, 10**6)]


def test_a_copy_is_the_whole_record_in_one_file(
    path: Path, journal: SqliteJournal, tmp_path: Path
) -> None:
    filled(journal)
    target = tmp_path / "copy.sqlite3"
    report = back_up(path, target, replace=False)
    assert values(target) == values(path)
    assert report.rows["event"] == 5
    assert report.rows["notice"] == 5
    assert report.rows["block"] > 0
    assert report.parts == report.rows["block"] + report.rows["reading"]
    assert report.damaged == []
    assert report.size == target.stat().st_size
    assert sorted(part.name for part in tmp_path.iterdir()) == ["copy.sqlite3", "data"]
    assert target.stat().st_mode & 0o777 == 0o600
    assert target.read_bytes()[18:20] == b"\1\1"  # https://sqlite.org/fileformat.html: no log


def test_it_is_one_state_while_commits_go_on(
    path: Path, journal: SqliteJournal, tmp_path: Path
) -> None:
    filled(journal)
    numbers = dict(journal.adopt(CHANNELS, ()))
    stop, committed = threading.Event(), [5]

    def write() -> None:
        while not stop.is_set():
            seq = committed[0] + 1
            journal.commit(whole_group(numbers, seq))
            committed[0] = seq

    def turn(done: int, total: int) -> None:
        seen = committed[0]
        while committed[0] < seen + 3 and writer.is_alive():  # commits between its steps
            stop.wait(0.001)
        assert done <= total

    writer = threading.Thread(target=write)
    writer.start()
    try:
        before = committed[0]
        report = back_up(path, tmp_path / "copy", replace=False, progress=turn)
        after = committed[0]
    finally:
        stop.set()
        writer.join()
    assert before <= report.rows["event"] <= after
    assert after >= before + 3, "nothing was committed meanwhile: this shows nothing"
    with closing(SqliteArchive(tmp_path / "copy")) as archive:
        last = archive.last_seq()
        assert last == report.rows["event"]
        newest = archive.newest()[LEVEL.id]
    assert newest.time <= max(T0 + 6 * HOUR, T0 + last * SECOND)


def test_what_is_there_stays_unless_it_is_to_be_replaced(
    path: Path, journal: SqliteJournal, tmp_path: Path
) -> None:
    filled(journal)
    target = tmp_path / "copy.sqlite3"
    target.write_text("last week's")
    with pytest.raises(ConfigError, match=r"is there already.*--replace"):
        back_up(path, target, replace=False)
    assert target.read_text() == "last week's"
    back_up(path, target, replace=True)
    assert values(target) == values(path)
    with pytest.raises(ConfigError, match="is the file itself"):
        back_up(path, path, replace=True)
    with pytest.raises(ConfigError, match="does not exist: make or mount it"):
        back_up(path, tmp_path / "none" / "copy", replace=False)
    with pytest.raises(ConfigError, match="no data yet"):
        back_up(tmp_path / "nothing", tmp_path / "other", replace=False)
    assert not list(tmp_path.glob("*.part*"))


def test_damage_is_told_and_the_rest_is_copied(
    path: Path, journal: SqliteJournal, tmp_path: Path
) -> None:
    filled(journal)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(
            "UPDATE block SET vmax = vmax + 1 WHERE t0 = (SELECT min(t0) FROM block)"
        )
        connection.execute("UPDATE reading SET records = zeroblob(40)")
    report = back_up(path, tmp_path / "copy", replace=False)
    assert len(report.damaged) >= 2
    assert any(part.startswith("block of channel number 1") for part in report.damaged)
    assert any(part.startswith("readings of commit") for part in report.damaged)
    with closing(SqliteArchive(path)) as archive:
        assert archive.verify() == report.parts
        assert archive.damaged_parts() == report.damaged


def test_a_copy_that_is_not_sound_is_no_copy(tmp_path: Path) -> None:
    torn = tmp_path / "torn.sqlite3"
    journal = SqliteJournal(torn)
    filled(journal)
    journal.close()
    content = bytearray(torn.read_bytes())
    content[4096 * 9 : 4096 * 12] = b"\x55" * (3 * 4096)
    torn.write_bytes(content)
    target = tmp_path / "copy"
    with pytest.raises(PermanentError, match="damaged"):
        back_up(torn, target, replace=False)
    assert not list(tmp_path.glob("copy*"))


def test_a_full_disk_is_told_before(
    path: Path, journal: SqliteJournal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(journal)
    monkeypatch.setattr(backup, "_SPARE_BYTES", 2**60)
    with pytest.raises(ConfigError, match="MB are free, the copy needs"):
        back_up(path, tmp_path / "copy", replace=False)


# --- back -----------------------------------------------------------------------------------


def test_restored_it_goes_on_from_the_copy_and_the_other_is_kept(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    with WriterLock(folder):
        journal = SqliteJournal(folder / FILE_NAME)
        filled(journal)
        back_up(folder / FILE_NAME, tmp_path / "copy", replace=False)
        then = values(folder / FILE_NAME)
        numbers = dict(journal.adopt(CHANNELS, ()))
        later = readings(numbers[LEVEL.id], [9.0], T0 + 9 * HOUR)
        journal.commit(Group(readings=later, committed_at=T0 + 9 * HOUR))
        journal.close()
    with WriterLock(folder):
        done = restore(tmp_path / "copy", folder, T0 + 10 * HOUR, "20260501T220000Z")
    assert done.kept is not None
    assert done.kept.parent.name == "replaced-20260501T220000Z"
    assert values(folder / FILE_NAME) == then
    assert values(done.kept) == [*then, (T0 + 9 * HOUR, 9.0)]
    journal = SqliteJournal(folder / FILE_NAME)
    restored = journal.restore()
    journal.close()
    assert restored.alive_at == T0 + 6 * HOUR  # so that the service says since when it was away
    with closing(SqliteArchive(folder / FILE_NAME)) as archive:
        event = archive.events(None, None, 5, 10)[0]
    assert (event.seq, event.event.kind) == (6, "restored")
    assert "the copy copy" in event.event.message
    assert restored.next_seq == 7


def test_nothing_happens_to_the_record_when_the_copy_is_none(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    with WriterLock(folder):
        journal = SqliteJournal(folder / FILE_NAME)
        filled(journal)
        journal.close()
        content = (folder / FILE_NAME).read_bytes()
        (tmp_path / "letter.txt").write_text("dear keeper, " * 400)
        with closing(sqlite3.connect(tmp_path / "other.sqlite3")) as other, other:
            other.execute("CREATE TABLE x (y)")
        with pytest.raises(PermanentError):
            restore(tmp_path / "letter.txt", folder, T0, "now")
        with pytest.raises(PermanentError, match="of another program"):
            restore(tmp_path / "other.sqlite3", folder, T0, "now")
        with pytest.raises(ConfigError):
            restore(tmp_path / "none.sqlite3", folder, T0, "now")
        assert (folder / FILE_NAME).read_bytes() == content
        assert sorted(p.name for p in folder.iterdir()) == ["lock", "reserve", FILE_NAME]


# --- half done ------------------------------------------------------------------------------


def half_done(path: Path) -> None:
    """Leave a file without a write-ahead log as a kill amid a change of it does."""
    whole = path.with_name("whole")
    path.rename(whole)
    with closing(sqlite3.connect(whole, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
        connection.execute("PRAGMA cache_size = 5")  # the change does not fit: it goes to the file
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("CREATE TABLE half_done AS SELECT * FROM block")
        connection.execute("DELETE FROM block")
        connection.execute("DELETE FROM channel")
        connection.execute(f"INSERT INTO half_done (rowid) VALUES {','.join(['(NULL)'] * 5000)}")
        shutil.copy(whole, path)
        shutil.copy(journal_of(whole), journal_of(path))
        connection.execute("ROLLBACK")
    whole.unlink()
    with (
        closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as reader,
        pytest.raises(sqlite3.OperationalError, match="readonly"),
    ):
        reader.execute("SELECT count(*) FROM block")


def test_what_a_kill_left_half_done_is_undone_for_readers_too(tmp_path: Path) -> None:
    path = tmp_path / FILE_NAME
    journal = SqliteJournal(path)
    filled(journal)
    journal.close()
    there = values(path)
    half_done(path)
    assert find_damage(path) is None
    assert not journal_of(path).exists()
    half_done(path)
    assert backup.examine(path).damaged == []
    assert values(path) == there


def test_the_journal_of_a_ruined_file_does_not_ruin_the_one_in_its_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def ruined(_: Path) -> None:
        raise PermanentError("it cannot be read")

    monkeypatch.setattr("weirwatch.store.restore._empty_log", ruined)
    folder, copy = tmp_path / "data", tmp_path / "copy.sqlite3"
    with WriterLock(folder):
        journal = SqliteJournal(folder / FILE_NAME)
        filled(journal)
        journal.close()
        there = values(folder / FILE_NAME)
        back_up(folder / FILE_NAME, copy, replace=False)
        half_done(folder / FILE_NAME)
        done = restore(copy, folder, T0, "now")
        assert done.kept is not None
        assert journal_of(done.kept).exists()
        assert not journal_of(folder / FILE_NAME).exists()
        assert values(folder / FILE_NAME) == there


# --- kill -9 --------------------------------------------------------------------------------

KILLS = int(os.environ.get("WEIRWATCH_KILLS", "3"))


def killed(what: str, folder: Path, copy: Path, delay_s: float) -> None:
    process = subprocess.Popen(
        [sys.executable, str(TESTS / "support" / "backing_up.py"), what, str(folder), str(copy)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join((str(TESTS), *sys.path))},
    )
    assert process.stdout is not None
    with process:
        assert process.stdout.readline() == "1\n"
        timer = threading.Timer(delay_s, process.kill)
        timer.start()
        process.stdout.read()
        timer.join()
    assert process.returncode == -signal.SIGKILL


@pytest.mark.slow
def test_killed_at_any_moment_copy_and_record_are_whole(tmp_path: Path) -> None:
    folder, copy = tmp_path / "data", tmp_path / "copy.sqlite3"
    with WriterLock(folder):
        journal = SqliteJournal(folder / FILE_NAME)
        filled(journal, 24)
        journal.close()
    there = values(folder / FILE_NAME)
    back_up(folder / FILE_NAME, copy, replace=False)
    for turn in range(KILLS):
        killed("backup", folder, copy, 0.003 + 0.11 * turn / KILLS)
        assert backup.examine(copy).damaged == []
        assert values(copy) == there
        killed("restore", folder, copy, 0.003 + 0.11 * turn / KILLS)
        assert backup.examine(folder / FILE_NAME).damaged == []
        assert values(folder / FILE_NAME) == there
    with WriterLock(folder):
        done = restore(copy, folder, T0, "last")
        backup.back_up(folder / FILE_NAME, copy, replace=True)
    assert done.kept is not None
    assert values(done.kept) == there
    assert not list(folder.glob("*.restoring*"))
    assert not list(tmp_path.glob("*.part*"))
    assert all(not kept.samefile(folder / FILE_NAME) for kept in folder.glob("replaced-*/*"))
