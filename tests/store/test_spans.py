"""Summaries of three weeks in one row: the same answers, at once after every change."""

import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from support.stored import CHANNELS, LEVEL, T0, tend

from weirwatch.domain.instant import SECOND
from weirwatch.domain.reading import Quality, Reading
from weirwatch.ports import Bucket
from weirwatch.settings import Kept, RetentionSettings
from weirwatch.store import spans
from weirwatch.store.block import HOUR
from weirwatch.store.blocks import SPAN
from weirwatch.store.packing import ZLIB
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

HOURS = 3 * SPAN + 100
START = T0 - HOURS * HOUR


def past(every: int = 1) -> list[Reading]:
    chance = random.Random(1)
    return [
        Reading(LEVEL.id, START + n * 1200 * SECOND + chance.randrange(SECOND), chance.gauss(25, 1))
        for n in range(3 * HOURS)
        if n // 200 % every == 0
    ]


def charts(archive: SqliteArchive) -> list[list[Bucket]]:
    return [
        list(archive.series(LEVEL.id, start, end, points))
        for start, end, points in (
            (START, T0, HOURS),
            (START, T0, 100),
            (START + 7 * SECOND, T0 - 9 * SECOND, 333),
            (START + SPAN * HOUR, START + 2 * SPAN * HOUR, SPAN),
            (0, 2**60, 10),
            (-(2**62), 2**62, 3),
        )
    ]


def forget(path: Path) -> None:
    """Leave nothing packed."""
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DELETE FROM span")
        connection.execute("INSERT OR IGNORE INTO stale_span SELECT channel_id, t0/512 FROM block")


def packed(path: Path) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute("SELECT count(*) FROM span").fetchone()[0])


def test_packed_or_not_every_chart_is_the_same(
    path: Path, journal: SqliteJournal, archive: SqliteArchive
) -> None:
    journal.adopt(CHANNELS, ())
    journal.take_in(past(2), T0)
    before = charts(archive)
    tend(journal, T0)
    assert packed(path) >= 3
    assert charts(archive) == before
    late = [r for r in past() if r.time // HOUR % 97 == 5]
    journal.take_in(late, T0)  # some into blocks, some into hours that had none
    after = charts(archive)
    assert after != before
    forget(path)
    assert charts(archive) == after
    tend(journal, T0 + HOUR)
    assert packed(path) > 2
    assert charts(archive) == after
    assert archive.verify() > 0
    assert archive.damaged_parts() == []


def test_they_outlive_the_readings(path: Path) -> None:
    journal = SqliteJournal(path, retention=RetentionSettings(Kept(HOURS / 24 - 4)))  # four days go
    journal.adopt(CHANNELS, ())
    journal.take_in(past(), T0)
    with closing(SqliteArchive(path)) as archive:
        before = archive.series(LEVEL.id, START, T0, HOURS)
        tend(journal, T0)
        assert archive.series(LEVEL.id, START, T0, HOURS) == before
        assert len(archive.readings(LEVEL.id, 0, 2**60, None, 10**6)) == 3 * HOURS - 4 * 72
    journal.close()


def test_a_damaged_one_is_noted_and_the_blocks_answer(
    path: Path, journal: SqliteJournal, archive: SqliteArchive
) -> None:
    journal.adopt(CHANNELS, ())
    journal.take_in(past(), T0)
    tend(journal, T0)
    before = charts(archive)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE span SET data = zeroblob(90) WHERE id % 2")
    assert charts(archive) == before
    assert archive.damaged_parts()
    assert all("summaries of channel number 1" in part for part in archive.damaged_parts())


def test_what_is_not_a_number_stays_so(
    path: Path, journal: SqliteJournal, archive: SqliteArchive
) -> None:
    journal.adopt(CHANNELS, ())
    infinite = [
        Reading(LEVEL.id, START + n * SECOND, value, Quality.GOOD)
        for n, value in enumerate((float("inf"), float("-inf"), 1.0))
    ]
    journal.take_in([*infinite, *past()[4:]], T0)
    tend(journal, T0)
    assert packed(path)
    first = archive.series(LEVEL.id, START, START + 2 * HOUR, 2)[0]
    assert (first.minimum, first.maximum) == (float("-inf"), float("inf"))
    assert first.mean != first.mean


def test_without_the_codec_the_blocks_answer_and_zlib_packs(
    path: Path, journal: SqliteJournal, archive: SqliteArchive, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal.adopt(CHANNELS, ())
    journal.take_in(past(), T0)
    tend(journal, T0 + 3 * HOUR)
    before = charts(archive)
    with monkeypatch.context() as patch:
        patch.setattr(spans, "codec_here", lambda: ZLIB)
        assert charts(archive) == before
        forget(path)
        tend(journal, T0 + 4 * HOUR)
        assert packed(path) > 2
        assert charts(archive) == before
    assert charts(archive) == before
    assert archive.damaged_parts() == []


def test_what_was_packed_in_another_form_is_packed_anew(
    path: Path, journal: SqliteJournal, archive: SqliteArchive
) -> None:
    journal.adopt(CHANNELS, ())
    journal.take_in(past(), T0)
    tend(journal, T0 + 3 * HOUR)
    before, count = charts(archive), packed(path)
    with closing(sqlite3.connect(path)) as connection, connection:
        for statement in spans.PACKED_ANEW:
            connection.execute(statement)
    assert packed(path) == 0
    assert charts(archive) == before
    tend(journal, T0 + 4 * HOUR)
    assert packed(path) == count
    assert charts(archive) == before
