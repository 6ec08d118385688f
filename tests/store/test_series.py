"""Buckets from blocks: which grid, whole hours without unpacking, gaps, hours that were let go."""

import math
from contextlib import closing
from pathlib import Path

import pytest
from support.stored import CHANNELS, LEVEL, T0, WARMTH, Row, readings, tend

from weirwatch.domain.instant import SECOND, Micros
from weirwatch.ports import Bucket, Group
from weirwatch.settings import Kept, RetentionSettings
from weirwatch.store import block, packing
from weirwatch.store.block import HOUR
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

HOURS = 12
END = T0 + HOURS * HOUR
rows: list[Row] = [
    (T0 + n * 60 * SECOND, 1, float(n), 0, "")
    for n in range(HOURS * 60)
    if not 180 <= n < 300  # two hours without
]


@pytest.fixture
def filled(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive
) -> SqliteArchive:
    """Ten hours sealed, two recent."""
    assert numbers[LEVEL.id] == 1
    journal.commit(Group(readings=rows, committed_at=T0))
    tend(journal, END - HOUR)
    return archive


def plainly(start: Micros, end: Micros, origin: Micros, width: Micros) -> list[Bucket]:
    """The same by hand."""
    found = []
    for place in range(-(-(end - origin) // width)):
        low, high = max(start, origin + place * width), min(end, origin + (place + 1) * width)
        inside = [row[2] for row in rows if low <= row[0] < high]
        if inside:
            mean = sum(inside) / len(inside)
            found.append(
                Bucket(
                    low, high, min(inside), mean, max(inside), len(inside), inside[0], inside[-1]
                )
            )
    return found


@pytest.mark.parametrize(
    ("after", "before", "points", "width"),
    [
        (0, 0, HOURS, HOUR),
        (0, 0, 5, 3 * HOUR),
        (0, 0, 1, HOURS * HOUR),
        (600, 0, HOURS - 1, 2 * HOUR),
        (600, 600, 4, 3 * HOUR),
        (90 * 60, 30 * 60, 3, 4 * HOUR),
    ],
)
def test_from_an_hour_on_buckets_are_whole_hours(
    filled: SqliteArchive, after: int, before: int, points: int, width: Micros
) -> None:
    start, end = T0 + after * SECOND, END - before * SECOND
    found = filled.series(LEVEL.id, start, end, points)
    assert list(found) == plainly(start, end, start // HOUR * HOUR, width)
    assert len(found) <= points


def test_finer_ones_divide_the_range_evenly(filled: SqliteArchive) -> None:
    for points in (13, 100, 720, 5000):
        start, end = T0 + 17 * SECOND, END - 5
        width = -((start - end) // points)
        found = filled.series(LEVEL.id, start, end, points)
        assert list(found) == plainly(start, end, start, width)


def test_two_hours_without_readings_are_a_gap(filled: SqliteArchive) -> None:
    found = filled.series(LEVEL.id, T0, END, HOURS)
    assert [(b.start - T0) // HOUR for b in found] == [0, 1, 2, *range(5, 12)]


def test_whole_hours_are_not_unpacked(
    filled: SqliteArchive, monkeypatch: pytest.MonkeyPatch
) -> None:
    unpacked: list[int] = []
    original = packing.unpack_times

    def counting(blob: bytes, codec: int) -> packing.Integers:
        unpacked.append(1)
        return original(blob, codec)

    monkeypatch.setattr(block, "unpack_times", counting)
    for points in (HOURS, 5, 1):
        filled.series(LEVEL.id, T0, END, points)
    assert unpacked == []
    filled.series(LEVEL.id, T0 + SECOND, END - 3 * HOUR - SECOND, 4)
    assert len(unpacked) == 2  # the hours that are cut
    filled.series(LEVEL.id, T0, END, HOURS + 1)
    assert len(unpacked) == 2 + 8


def test_bad_hours_and_sums_that_are_no_number(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive
) -> None:
    level = numbers[LEVEL.id]
    some: list[Row] = [
        (T0, level, 400.0, 2, "outside valid range"),
        (T0 + HOUR, level, math.inf, 0, ""),
        (T0 + HOUR + 1, level, -math.inf, 0, ""),
        (T0 + 2 * HOUR, level, 1.0, 1, "retained value"),
    ]
    journal.commit(Group(readings=some, committed_at=T0))
    before = [archive.series(LEVEL.id, T0, T0 + 4 * HOUR, points) for points in (4, 2, 1)]
    tend(journal, T0 + 9 * HOUR)
    after = [archive.series(LEVEL.id, T0, T0 + 4 * HOUR, points) for points in (4, 2, 1)]
    assert repr(after) == repr(before)
    assert [bucket.count for bucket in after[0]] == [2, 1]
    assert math.isnan(after[0][0].mean)
    assert [bucket.count for bucket in after[2]] == [3]


# --- hours whose readings were let go ---------------------------------------------------------


def test_readings_are_let_go_and_hours_stay(path: Path, archive: SqliteArchive) -> None:
    with closing(SqliteJournal(path, retention=RetentionSettings(Kept(0.25)))) as journal:
        journal.adopt(CHANNELS, ())
        journal.commit(Group(readings=rows, committed_at=T0))
        tend(journal, END + HOUR)
        cutoff = END - 5 * HOUR
        left = archive.readings(LEVEL.id, T0, END, None, 10**6)
        assert [r.time for r in left] == [row[0] for row in rows if row[0] >= cutoff]
        assert archive.span(LEVEL.id) == (T0, rows[-1][0])
        hourly = plainly(T0, END, T0, HOUR)
        assert list(archive.series(LEVEL.id, T0, END, HOURS)) == hourly
        # Finer is not known there: hours, and those that the range touches.
        assert list(archive.series(LEVEL.id, T0 + 1, END - 1, 500)) == hourly
        inside = archive.series(LEVEL.id, T0 + HOUR + 600 * SECOND, T0 + 2 * HOUR, 60)
        assert list(inside) == hourly[1:2]
        # Where there are readings it stays as fine as asked for.
        assert len(archive.series(LEVEL.id, cutoff, END, 300)) == 300
        # What comes for such an hour cannot be told from what was there.
        late = readings(1, [5.0], start=T0 + 1)
        assert journal.commit(Group(readings=late, committed_at=END)) == 1
        assert list(archive.series(LEVEL.id, T0, END, HOURS)) == hourly
        # An old log of hours without a block is taken, and let go in its turn.
        old = [(row[0] - 1000 * HOUR, *row[1:]) for row in rows]
        assert journal.commit(Group(readings=old, committed_at=END)) == 0
        tend(journal, END + 2 * HOUR)
        again = archive.series(LEVEL.id, T0 - 1000 * HOUR, END - 1000 * HOUR, HOURS)
        assert [b._replace(start=0, end=0) for b in again] == [
            b._replace(start=0, end=0) for b in hourly
        ]
        assert archive.readings(LEVEL.id, 0, T0, None, 10) == []
        assert journal.commit(Group(readings=old, committed_at=END)) == len(old)
    assert archive.verify() == 2 * (HOURS - 2)
    assert archive.damaged_parts() == []


def test_channels_share_the_grid_of_the_one_whose_readings_were_let_go(
    path: Path, archive: SqliteArchive
) -> None:
    with closing(SqliteJournal(path, retention=RetentionSettings(Kept(0.25)))) as journal:
        numbers = journal.adopt(CHANNELS, ())
        warm = [(row[0], numbers[WARMTH.id], 25.0, 0, "") for row in rows if row[0] >= END - HOUR]
        journal.commit(Group(readings=rows + warm, committed_at=T0))
        tend(journal, END + HOUR)
        span = (T0 + 1, END - 1, 500)
        found = archive.series_of([WARMTH.id, LEVEL.id], *span, weighted=True)
        assert list(found) == [WARMTH.id, LEVEL.id]
        hourly = [bucket._replace(time_mean=None) for bucket in found[LEVEL.id]]
        assert hourly == plainly(T0, END, T0, HOUR)
        (last,) = found[WARMTH.id]
        assert (last.start, last.end, last.time_mean) == (END - HOUR, END, 25.0)
        assert len(archive.series(WARMTH.id, *span)) == 42  # alone as fine as it was: 86.4 s
        # A reading a minute: over time as plain, but none where the readings are there no longer.
        cutoff = END - 5 * HOUR
        told = [bucket.time_mean for bucket in found[LEVEL.id]]
        assert told == [b.mean if b.start >= cutoff else None for b in hourly]
        wide = archive.series_of([LEVEL.id], T0, END, 2, weighted=True)[LEVEL.id]
        assert [bucket.time_mean is None for bucket in wide] == [True, True]
        with pytest.raises(KeyError):
            archive.series_of([LEVEL.id, "nobody/knows/it"], *span)


def test_for_ever_is_for_ever(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive
) -> None:
    journal.commit(Group(readings=rows, committed_at=T0))
    tend(journal, END + 10_000 * 24 * HOUR)
    assert len(archive.readings(LEVEL.id, T0, END, None, 10**6)) == len(rows)


def test_a_disk_all_but_full_costs_the_oldest_readings(
    journal: SqliteJournal,
    numbers: dict[str, int],
    archive: SqliteArchive,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Only as many as the file needs to go on within its own pages, and never the last two days."""
    level = numbers[LEVEL.id]
    for hour in range(100):
        some = readings(level, [math.sin(n * hour) for n in range(720)], start=T0 + hour * HOUR)
        journal.commit(Group(readings=some, committed_at=T0))
    now = T0 + 102 * HOUR
    tend(journal, now)
    whole = len(archive.readings(LEVEL.id, T0, now, None, 10**6))
    assert whole == 72_000
    monkeypatch.setattr("weirwatch.store.upkeep.TIGHT_BYTES", 2**62)
    with archive._reading() as connection:
        spare = 4096 * connection.execute("PRAGMA freelist_count").fetchone()[0]
    monkeypatch.setattr("weirwatch.store.upkeep.SPARE_BYTES", spare + 100_000)
    tend(journal, now + 60 * SECOND)
    left = archive.readings(LEVEL.id, T0, now, None, 10**6)
    gone = 100 - len(left) // 720
    assert 10 <= gone <= 25
    assert left[0].time == T0 + gone * HOUR
    assert journal.counters()["let_go_for_room"] == gone
    monkeypatch.setattr("weirwatch.store.upkeep.SPARE_BYTES", 2**62)
    tend(journal, now + 120 * SECOND)
    left = archive.readings(LEVEL.id, T0, now, None, 10**6)
    assert left[0].time == T0 + 54 * HOUR
    assert len(archive.series(LEVEL.id, T0, now, 200)) == 100
