"""Damage in one place of the history: noticed, told of, and no matter to any other place."""

import logging
import random
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from support.stored import CHANNELS, LEVEL, T0, WARMTH, readings, tend

from weirwatch.domain.errors import ConfigError, PermanentError
from weirwatch.domain.instant import SECOND
from weirwatch.ports import Group
from weirwatch.store import packing
from weirwatch.store.block import HOUR
from weirwatch.store.connection import shm_of, wal_of
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

NOON = T0 // HOUR  # T0 is on the hour
NOW = T0 + 9 * HOUR


def fill(journal: SqliteJournal, numbers: dict[str, int], hours: int = 5) -> None:
    for number in numbers.values():
        rows = readings(number, [float(n % 97) for n in range(720 * hours)])
        for low in range(0, len(rows), 720):
            journal.commit(Group(readings=rows[low : low + 720]))
    tend(journal, NOW)


def change(path: Path, sql: str, *values: object) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        assert connection.execute(sql, values).rowcount == 1


def flip(path: Path, column: str, channel: int, hour: int) -> None:
    with closing(sqlite3.connect(path)) as connection:
        found = connection.execute(
            f"SELECT id, {column} FROM block_data JOIN block ON data_id = id"
            " WHERE channel_id = ? AND t0 = ?",
            (channel, hour),
        ).fetchone()
    wrong = bytearray(found[1])
    wrong[random.Random(column).randrange(len(wrong))] ^= 4
    change(path, f"UPDATE block_data SET {column} = ? WHERE id = ?", bytes(wrong), found[0])


IN_A_BLOCK: list[tuple[str, Callable[[Path, int], None]]] = [
    ("times", lambda path, level: flip(path, "ts", level, NOON + 2)),
    ("values", lambda path, level: flip(path, "value", level, NOON + 2)),
    (
        "its readings are gone",
        lambda path, level: change(
            path,
            "DELETE FROM block_data WHERE id ="
            " (SELECT data_id FROM block WHERE channel_id = ? AND t0 = ?)",
            level,
            NOON + 2,
        ),
    ),
    *(
        (
            f"summary: {what}",
            lambda path, level, what=what: change(
                path, f"UPDATE block SET {what} WHERE channel_id = ? AND t0 = ?", level, NOON + 2
            ),
        )
        for what in ("n = n + 1", "vmin = 0.5", "codec = 2", "crc = crc + 1", "vsum = NULL")
    ),
    (
        "another's readings",
        lambda path, level: change(
            path,
            "UPDATE block SET data_id = data_id - 1 WHERE channel_id = ? AND t0 = ?",
            level,
            NOON + 2,
        ),
    ),
]


@pytest.mark.parametrize("damage", [x[1] for x in IN_A_BLOCK], ids=[x[0] for x in IN_A_BLOCK])
def test_a_damaged_block_is_contained(
    journal: SqliteJournal,
    numbers: dict[str, int],
    archive: SqliteArchive,
    path: Path,
    damage: Callable[[Path, int], None],
    caplog: pytest.LogCaptureFixture,
) -> None:
    level = numbers[LEVEL.id]
    fill(journal, numbers)
    damage(path, level)
    end = T0 + 5 * HOUR
    for _ in range(2):
        found = archive.readings(LEVEL.id, T0, end, None, 10**6)
        assert [reading.value for reading in found] == [
            float(n % 97) for n in range(3600) if n // 720 != 2
        ]
        fine = archive.series(LEVEL.id, T0, end, 50)
        assert {bucket.start for bucket in fine} == {
            T0 + n * HOUR // 10 for n in range(50) if n // 10 != 2
        }
        assert len(archive.readings(WARMTH.id, T0, end, None, 10**6)) == 3600
    name = f"block of channel number {level} at 2026-05-01T14:00:00Z"
    assert archive.damaged_parts() == [name]
    told = [record for record in caplog.records if record.levelno == logging.ERROR]
    assert [record.getMessage() for record in told] == [f"store.damaged_part part={name}"]
    with closing(SqliteArchive(path)) as other:
        assert other.verify() == 10
        assert other.damaged_parts() == [name]
    # A late reading: the damaged block is set aside, not thrown away, and a new one begun.
    late = [(T0 + 2 * HOUR + SECOND, level, 55.5, 0, "")]
    assert journal.commit(Group(readings=late, committed_at=NOW)) == 0
    assert journal.counters()["damaged_parts"] == 1
    found = archive.readings(LEVEL.id, T0 + 2 * HOUR, T0 + 3 * HOUR, None, 10)
    assert [reading.value for reading in found] == [55.5]
    assert journal.commit(Group(readings=late, committed_at=NOW)) == 1
    with closing(sqlite3.connect(path)) as connection:
        kept = connection.execute("SELECT channel_id, t0 FROM damaged_block").fetchall()
        assert kept == [(level, NOON + 2)]
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    with closing(SqliteArchive(path)) as other:
        other.verify()
        assert other.damaged_parts() == [name]


def test_damaged_recent_readings_are_contained(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive, path: Path
) -> None:
    level = numbers[LEVEL.id]
    for place in range(4):
        rows = readings(level, [float(place)] * 3, start=T0 + place * 60 * SECOND)
        journal.commit(Group(readings=rows, committed_at=T0))
    with closing(sqlite3.connect(path)) as connection:
        (records,) = connection.execute("SELECT records FROM reading WHERE id = 2").fetchone()
    wrong = bytearray(records)
    wrong[20] ^= 1
    change(path, "UPDATE reading SET records = ? WHERE id = 2", bytes(wrong))
    for _ in range(2):
        found = archive.readings(LEVEL.id, T0, T0 + HOUR, None, 100)
        assert [reading.value for reading in found] == [0.0] * 3 + [2.0] * 3 + [3.0] * 3
        assert archive.newest()[LEVEL.id].value == 3.0
        assert archive.damaged_parts() == ["readings of commit number 2"]
        tend(journal, NOW)  # sealing leaves the damaged ones where they are
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT id, records FROM reading").fetchall() == [
            (2, bytes(wrong))
        ]
    journal.close()
    with closing(SqliteJournal(path)) as again:
        again.adopt(CHANNELS, ())
        assert again.commit(Group(readings=readings(level, [9.0]), committed_at=NOW)) == 1


@pytest.mark.parametrize("seed", range(8))
def test_a_torn_log_tail_costs_whole_commits_only(
    journal: SqliteJournal, numbers: dict[str, int], path: Path, tmp_path: Path, seed: int
) -> None:
    """The log as a power cut may leave it: cut off, or with wrong bytes near its end."""
    chance = random.Random(seed)
    level = numbers[LEVEL.id]
    journal._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    journal._connection.execute("PRAGMA wal_autocheckpoint = 0")
    for hour in range(6):
        for place in range(6):
            rows = readings(level, [float(hour)] * 20, start=T0 + hour * HOUR + place * 10**8)
            journal.commit(Group(readings=rows, committed_at=rows[-1][0]))
        tend(journal, T0 + (hour + 1) * HOUR)
    copy = tmp_path / path.name
    copy.write_bytes(path.read_bytes())
    log = bytearray(wal_of(path).read_bytes())
    if seed % 2:
        log = log[: chance.randrange(len(log) // 2, len(log))]
    else:
        place = chance.randrange(len(log) // 2, len(log))
        log[place : place + 9] = chance.randbytes(9)
    wal_of(copy).write_bytes(log)
    shm_of(copy).unlink(missing_ok=True)
    with closing(SqliteJournal(copy)) as torn, closing(SqliteArchive(copy)) as archive:
        torn.adopt(CHANNELS, ())
        tend(torn, NOW)
        found = archive.readings(LEVEL.id, T0, NOW, None, 10**6)
        assert len(found) % 20 == 0
        whole = archive.readings(LEVEL.id, T0, NOW, None, len(found))
        with closing(SqliteArchive(path)) as original:
            assert whole == original.readings(LEVEL.id, T0, NOW, None, len(found))
        assert archive.verify() > 0
        assert archive.damaged_parts() == []
    with closing(sqlite3.connect(copy)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def test_a_history_that_this_machine_cannot_unpack_is_refused(
    journal: SqliteJournal,
    numbers: dict[str, int],
    archive: SqliteArchive,
    path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    fill(journal, numbers, hours=1)
    journal.close()
    with monkeypatch.context() as without:
        without.setattr(packing, "pcodec", None)
        with pytest.raises(ConfigError, match=r"pip install pcodec"):
            SqliteJournal(path)
        with pytest.raises(PermanentError, match=r"pip install pcodec"):
            archive.readings(LEVEL.id, T0, T0 + HOUR, None, 1)
        hourly = archive.series(LEVEL.id, T0, T0 + HOUR, 1)
        assert [bucket.count for bucket in hourly] == [720]
    assert len(archive.readings(LEVEL.id, T0, T0 + HOUR, None, 1000)) == 720
    assert archive.damaged_parts() == []


def test_both_codecs_in_one_file(
    path: Path, archive: SqliteArchive, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as without:
        without.setattr(packing, "pcodec", None)
        journal = SqliteJournal(path)
        numbers = dict(journal.adopt(CHANNELS, ()))
        fill(journal, numbers, hours=2)
        journal.close()
    journal = SqliteJournal(path)
    numbers = dict(journal.adopt(CHANNELS, ()))
    late = [(T0 + 1, numbers[LEVEL.id], 0.5, 0, "")]
    assert journal.commit(Group(readings=late, committed_at=NOW)) == 0
    journal.close()
    with closing(sqlite3.connect(path)) as connection:
        found = dict(connection.execute("SELECT codec, count(*) FROM block GROUP BY codec"))
    assert found == {packing.PCODEC: 1, packing.ZLIB: 3}
    values = [reading.value for reading in archive.readings(LEVEL.id, T0, NOW, None, 10**6)]
    assert values == [0.0, 0.5, *(float(n % 97) for n in range(1, 1440))]
