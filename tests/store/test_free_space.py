"""A disk that fills up: told in good time, and on a full one alarms and journal go on."""

import shutil
from collections import namedtuple
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from support.small_disk import fill, small_disk_at
from support.stored import CHANNELS, LEVEL, T0, tend, whole_group

from weirwatch.domain.errors import TransientError
from weirwatch.domain.instant import SECOND
from weirwatch.ports import Group
from weirwatch.store import reserve, upkeep
from weirwatch.store.block import HOUR
from weirwatch.store.free_space import DiskWatch
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

Usage = namedtuple("Usage", "total used free")
GB = 10**9


def watch(monkeypatch: pytest.MonkeyPatch, total: float, free: float) -> tuple[str | None, str]:
    monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(int(total), 0, int(free)))
    disk = DiskWatch(Path("/data"))
    return disk.trouble(), disk.warning


@pytest.mark.parametrize(
    ("total", "free", "full", "low"),
    [
        (16 * GB, 1.7 * GB, False, False),
        (16 * GB, 1.5 * GB, False, True),  # below 10 %
        (16 * GB, 0.4 * GB, True, True),  # below 3 %
        (4 * GB, 0.19 * GB, True, True),  # below 200 MB
        (4 * GB, 0.21 * GB, False, True),
        (2000 * GB, 11 * GB, False, False),  # 3 % of it would be 60 GB
        (2000 * GB, 9 * GB, False, True),
        (2000 * GB, 1.9 * GB, True, True),
        (0.1 * GB, 0.06 * GB, False, False),  # a disk smaller than the floor
    ],
)
def test_the_bounds(
    monkeypatch: pytest.MonkeyPatch, total: float, free: float, full: bool, low: bool
) -> None:
    trouble, warning = watch(monkeypatch, total, free)
    assert (trouble is not None, bool(warning)) == (full, low)
    for sentence in (trouble, warning):
        assert not sentence or "make room" in sentence


def test_the_warning_comes_once_and_goes_once(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[str] = []
    disk = DiskWatch(Path("/data"), told.append)
    for free in (5, 1.5, 1.4, 1.7, 1.5, 1.8, 5):
        usage = Usage(16 * GB, 0, int(free * GB))
        monkeypatch.setattr(shutil, "disk_usage", lambda _, usage=usage: usage)
        disk.trouble()
    assert len(told) == 2
    assert told[0].startswith("only 1.5 GB (9 %) are free where /data lies: make room before")
    assert told[1].startswith("1.8 GB are free again")


def test_a_disk_that_is_not_there_is_trouble(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = shutil.disk_usage

    def emptied(path: Path) -> Usage:
        """The disk of the path, if it is there, as if nothing else lay on it."""
        total = real(path).total
        return Usage(total, 0, total)

    monkeypatch.setattr(shutil, "disk_usage", emptied)
    assert DiskWatch(tmp_path).trouble() is None
    sentence = DiskWatch(tmp_path / "unmounted").trouble()
    assert sentence is not None
    assert "cannot be asked (No such file or directory)" in sentence


# --- a real disk ----------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    with small_disk_at(tmp_path / "disk", 16) as disk:
        yield disk


def hour_of_noise(level: int, hour: int) -> list[tuple[int, int, float, int, str]]:
    values = np.random.default_rng(hour).random(3600).tolist()  # cannot be packed
    start = T0 + hour * HOUR
    return [(start + n * SECOND, level, value, 0, "") for n, value in enumerate(values)]


def test_on_a_full_disk_the_oldest_readings_go_and_alarms_go_on(
    small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(upkeep, "SPARE_BYTES", 512 * 1024)
    monkeypatch.setattr(upkeep, "KEPT_WHEN_TIGHT", 6 * HOUR)
    monkeypatch.setattr(upkeep, "TIGHT_BYTES", 1024 * 1024)
    monkeypatch.setattr(upkeep, "PLENTY_BYTES", 1024 * 1024)
    monkeypatch.setattr(reserve, "SIZE", 1024 * 1024)
    path = small_disk / FILE_NAME
    journal = SqliteJournal(path)
    numbers = dict(journal.adopt(CHANNELS, ()))
    hours = 48
    for hour in range(hours):
        now = T0 + (hour + 1) * HOUR
        rows = hour_of_noise(numbers[LEVEL.id], hour)
        journal.commit(Group(readings=rows, committed_at=now))
        tend(journal, now)
    assert journal.counters()["let_go_for_room"] == 0
    assert (small_disk / "reserve").stat().st_size == reserve.SIZE
    fill(small_disk)
    journal.close()  # even after a restart: the log must grow anew
    journal = SqliteJournal(path)
    numbers = dict(journal.adopt(CHANNELS, ()))
    refused = 0
    for seq in range(1, 400):
        now = T0 + hours * HOUR + seq * 300 * SECOND
        group = whole_group(numbers, seq)
        group.committed_at = now
        group.readings = [(now + n, numbers[LEVEL.id], n / 7, 0, "") for n in range(40)]
        try:
            journal.commit(group)
        except TransientError:
            refused += 1
            tend(journal, now)
            journal.commit(group)  # after looking after the file it fits
        tend(journal, now)
    assert journal.counters()["let_go_for_room"] > 0
    with closing(SqliteArchive(path)) as archive:
        assert archive.last_seq() == 399
        assert archive.verify() > 0
        assert archive.damaged_parts() == []
        found = [r.time for r in archive.readings(LEVEL.id, 0, 2**60, None, 10**6)]
        end = T0 + hours * HOUR + 400 * 300 * SECOND
        assert len([time for time in found if time >= T0 + hours * HOUR]) == 399 * 40
        assert min(found) > T0, "the oldest were not let go"
        assert min(found) < end - 6 * HOUR
        kept = archive.series(LEVEL.id, T0, T0 + HOUR, 1)
        assert kept[0].count == 3600  # their summary stays
    assert refused <= 2
    journal.close()


def test_a_quota_is_a_full_disk_and_changes_nothing(path: Path) -> None:
    journal = SqliteJournal(path)
    numbers = dict(journal.adopt(CHANNELS, ()))
    journal.commit(whole_group(numbers, 1))
    connection = journal._connection
    pages = connection.execute("PRAGMA page_count").fetchone()[0]
    connection.execute(f"PRAGMA max_page_count = {pages}")
    big = whole_group(numbers, 2)
    big.readings = hour_of_noise(numbers[LEVEL.id], 1)
    with pytest.raises(TransientError, match="the disk is full: free some space"):
        journal.commit(big)
    with closing(SqliteArchive(path)) as archive:
        assert archive.last_seq() == 1
    connection.execute("PRAGMA max_page_count = 100000")
    assert journal.commit(big) == 0
    journal.close()
