"""Sealing: every answer stays what it was, each reading is in one place, late ones find theirs."""

import math
import random
import shutil
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from support.still_clock import HandClock
from support.stored import CHANNELS, LEVEL, T0, WARMTH, readings, tend

from weirwatch.domain.errors import TransientError
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Quality, Reading
from weirwatch.ports import Bucket, Group, Newest
from weirwatch.store import hot
from weirwatch.store.block import HOUR
from weirwatch.store.blocks import DamageNotes
from weirwatch.store.schema import FILE_NAME, make_file
from weirwatch.store.sealing import LATE_REST
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal
from weirwatch.store.upkeep import REST

Row = tuple[Micros, int, float, int, str]


def places(archive: SqliteArchive) -> tuple[int, int, int]:
    """How many readings are recent, how many in blocks, and how many blocks there are."""
    with archive._reading() as connection:
        recent = len(hot.unpack(hot.between(connection, -(2**62), 2**62), DamageNotes()).ts)
        count = connection.execute("SELECT count(*) FROM block").fetchone()[0]
    whole = sum(
        len(archive.readings(channel.id, -(2**62), 2**62, None, 10**7))
        for channel in archive.channels()
    )
    return recent, whole - recent, count


def everything(archive: SqliteArchive, channel: str = LEVEL.id) -> list[tuple[Micros, float]]:
    return [(r.time, r.value) for r in archive.readings(channel, -(2**62), 2**62, None, 10**7)]


def commit(journal: SqliteJournal, rows: list[Row], at: Micros | None = None) -> int:
    now = rows[0][0] if at is None else at
    return journal.commit(Group(readings=rows, committed_at=now))


# --- when ------------------------------------------------------------------------------------


def test_an_hour_is_sealed_when_it_ended_an_hour_ago(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive
) -> None:
    rows = readings(numbers[LEVEL.id], [float(n) for n in range(2160)])  # three hours
    commit(journal, rows)
    tend(journal, T0 + 2 * HOUR - 1)
    assert places(archive) == (2160, 0, 0)
    tend(journal, T0 + 2 * HOUR + REST)
    assert places(archive) == (1440, 720, 1)
    tend(journal, T0 + 4 * HOUR + 2 * REST)
    assert places(archive) == (0, 2160, 3)
    assert everything(archive) == [(row[0], row[2]) for row in rows]


def test_one_piece_of_work_is_one_channel(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive
) -> None:
    for number in numbers.values():
        commit(journal, readings(number, [1.0, 2.0]))
    now = T0 + 3 * HOUR
    done = []
    while journal.maintain(now, 0.0):
        done.append(places(archive)[2])
    assert done == [0, 0, 0, 2]  # gathered, one channel, the other channel, written


def test_the_budget_bounds_the_work(path: Path) -> None:
    class Ticking(HandClock):
        """Each look at the clock takes a millisecond."""

        def real_mono(self) -> Micros:
            self.mono += 1000
            return self.mono

    with closing(SqliteJournal(path, clock=Ticking())) as journal:
        numbers = journal.adopt(CHANNELS, ())
        for number in numbers.values():
            commit(journal, readings(number, [1.0]))
        assert journal.maintain(T0 + 3 * HOUR, 0.002)
        assert journal.maintain(T0 + 3 * HOUR, 0.002)
        assert not journal.maintain(T0 + 3 * HOUR, 1.0)


def test_with_nothing_to_do_it_rests(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive
) -> None:
    assert not journal.maintain(T0, 0.0)
    commit(journal, readings(numbers[LEVEL.id], [1.0]), at=T0)
    later = T0 + REST // 2
    assert not journal.maintain(later, 0.0)
    assert not journal.maintain(T0 - 10 * HOUR, 0.0)  # the clock was set back
    assert journal.maintain(T0 + 3 * HOUR, 0.0)


# --- late readings ---------------------------------------------------------------------------


def test_a_late_reading_goes_into_its_block(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive
) -> None:
    level = numbers[LEVEL.id]
    commit(journal, readings(level, [1.0, 2.0, 3.0]))
    tend(journal, T0 + 3 * HOUR)
    late = [(T0 + SECOND, level, 1.5, 0, ""), (T0 + 5 * SECOND, level, 99.0, 2, "outside")]
    assert commit(journal, late, at=T0 + 3 * HOUR) == 1
    assert places(archive) == (0, 4, 1)
    assert [value for _, value in everything(archive)] == [1.0, 1.5, 2.0, 3.0]
    assert archive.newest()[LEVEL.id].value == 3.0
    assert commit(journal, late, at=T0 + 3 * HOUR) == 2
    after = [(T0 + 30 * SECOND, level, 4.0, 1, "retained")]  # newer than all, in a sealed hour
    assert commit(journal, after, at=T0 + 3 * HOUR) == 0
    assert places(archive) == (0, 5, 1)
    newest = Newest(T0 + 30 * SECOND, 4.0, Quality.UNCERTAIN, "retained")
    assert archive.newest()[LEVEL.id] == newest
    assert archive.span(LEVEL.id) == (T0, T0 + 30 * SECOND)


def test_a_channel_that_was_away_gets_its_own_block(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive
) -> None:
    """The hour is sealed, but not of this channel: its buffer waits among the recent ones."""
    commit(journal, readings(numbers[LEVEL.id], [1.0]))
    now = T0 + 3 * HOUR
    tend(journal, now)
    backlog = readings(numbers[WARMTH.id], [25.0] * 100)
    for place in range(0, 100, 10):
        assert commit(journal, backlog[place : place + 10], at=now) == 0
    assert commit(journal, backlog[50:60], at=now) == 10
    tend(journal, now + REST)
    assert places(archive) == (100, 1, 1)  # more of it may come
    tend(journal, now + LATE_REST + REST)
    assert places(archive) == (0, 101, 2)
    assert everything(archive, WARMTH.id) == [(row[0], row[2]) for row in backlog]


def test_what_arrives_while_its_hour_is_packed(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive
) -> None:
    level = numbers[LEVEL.id]
    for pieces in range(1, 5):
        start = T0 + pieces * 100 * HOUR
        commit(journal, readings(level, [1.0, 3.0], start=start))
        commit(journal, readings(numbers[WARMTH.id], [25.0], start=start))
        now = start + 3 * HOUR
        for _ in range(pieces):
            journal.maintain(now, 0.0)
        assert commit(journal, [(start + SECOND, level, 2.0, 0, "")], at=now) == 0
        tend(journal, now + LATE_REST + REST)
        found = archive.readings(LEVEL.id, start, start + HOUR, None, 10)
        assert [reading.value for reading in found] == [1.0, 2.0, 3.0], pieces
        assert places(archive)[0] == 0


def test_a_wrong_clock_far_ahead_does_not_seal_the_present(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive
) -> None:
    """Sealed a day ahead by mistake: readings of the true present still go to the recent ones."""
    level = numbers[LEVEL.id]
    commit(journal, readings(level, [1.0], start=T0 + 24 * HOUR))
    tend(journal, T0 + 27 * HOUR)
    commit(journal, readings(level, [2.0, 3.0]), at=T0 + 10 * SECOND)
    assert places(archive) == (2, 1, 1)
    assert [value for _, value in everything(archive)] == [2.0, 3.0, 1.0]


def test_readings_from_before_and_long_after(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive
) -> None:
    level = numbers[LEVEL.id]
    times = [-(2**61), -1, 0, HOUR - 1, HOUR, T0, 2**61]
    commit(journal, [(ts, level, float(n), 0, "") for n, ts in enumerate(times)], at=T0)
    tend(journal, T0 + 5 * HOUR)
    assert everything(archive) == [(ts, float(n)) for n, ts in enumerate(times)]
    assert places(archive) == (1, 6, 5)
    assert [b.count for b in archive.series(LEVEL.id, -(2**62), 2**62, 1)] == [7]


# --- failures --------------------------------------------------------------------------------


def test_a_full_disk_seals_nothing_and_loses_nothing(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive
) -> None:
    chance = random.Random(5)
    rows = readings(numbers[LEVEL.id], [chance.random() for _ in range(3000)])
    commit(journal, rows)
    now = T0 + 9 * HOUR
    pages = journal._connection.execute("PRAGMA page_count").fetchone()[0]
    journal._connection.execute(f"PRAGMA max_page_count = {pages}")
    tend(journal, now)
    assert journal.counters()["upkeep_failures"] == 1
    assert places(archive) == (3000, 0, 0)
    with pytest.raises(TransientError, match="disk is full"):
        commit(journal, readings(numbers[WARMTH.id], [chance.random() for _ in range(900)]))
    journal._connection.execute("PRAGMA max_page_count = 1073741823")
    tend(journal, now + REST)
    assert places(archive)[0] == 0
    assert everything(archive) == [(row[0], row[2]) for row in rows]
    assert commit(journal, rows[:10]) == 10


def test_a_late_merge_that_fails_leaves_the_block(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive
) -> None:
    chance = random.Random(6)
    level = numbers[LEVEL.id]
    commit(journal, readings(level, [1.0] * 700))
    tend(journal, T0 + 3 * HOUR)
    before = everything(archive)
    late = [(T0 + n * 1_000_003, level, chance.random(), 0, "") for n in range(1, 3000)]
    pages = journal._connection.execute("PRAGMA page_count").fetchone()[0]
    journal._connection.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(TransientError, match="disk is full"):
        commit(journal, late, at=T0 + 3 * HOUR)
    assert everything(archive) == before
    journal._connection.execute("PRAGMA max_page_count = 1073741823")
    assert commit(journal, late, at=T0 + 3 * HOUR) == 0
    assert len(everything(archive)) == 700 + 2999


# --- the same answers ------------------------------------------------------------------------

values = (
    st.integers(-300, 6000).map(float)
    | st.integers(0, 9999).map(lambda n: n / 100)
    | st.sampled_from([0.0, -0.0, 5e-324, -1e-310, 1e308, 0.1 + 0.2, math.pi])
    | st.floats(allow_nan=False, allow_infinity=False, width=32)
)
spans = st.integers(0, 5 * HOUR // SECOND).map(lambda s: s * SECOND) | st.integers(0, 5 * HOUR)
rows = st.tuples(
    spans.map(lambda span: T0 + span),
    st.sampled_from([1, 2]),
    values,
    st.sampled_from([0, 0, 0, 1, 2]),
    st.sampled_from(["", "", "outside valid range", "warming up"]),
)
groups = st.lists(
    st.tuples(st.lists(rows, min_size=1, max_size=25), st.integers(0, 3 * HOUR)),
    min_size=1,
    max_size=12,
)
asked = st.lists(st.tuples(spans, spans, st.integers(1, 40)), min_size=1, max_size=8)


class Pair:
    """Two stores that are given the same; only one of them ever seals."""

    def __init__(self, folder: Path, template: Path) -> None:
        for name in ("one", "other"):
            (folder / name).mkdir()
            shutil.copy(template, folder / name / FILE_NAME)
        self.journals = [SqliteJournal(folder / name / FILE_NAME) for name in ("one", "other")]
        self.archives = [SqliteArchive(folder / name / FILE_NAME) for name in ("one", "other")]
        for journal in self.journals:
            journal.adopt(CHANNELS, ())
            journal._connection.execute("PRAGMA synchronous = OFF")  # a power cut is no matter here

    def close(self) -> None:
        for journal, archive in zip(self.journals, self.archives, strict=True):
            journal.close()
            archive.close()


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("template") / FILE_NAME
    make_file(path)
    return path


def same_buckets(one: list[Bucket], other: list[Bucket]) -> bool:
    """Sums of many are added in another order: their last digits may differ."""
    largest = [max(abs(b.minimum), abs(b.maximum)) for b in one]
    return [b._replace(mean=0.0) for b in one] == [b._replace(mean=0.0) for b in other] and all(
        math.isclose(a.mean, b.mean, rel_tol=1e-12, abs_tol=1e-12 * size)
        for a, b, size in zip(one, other, largest, strict=True)
    )


def bits(found: list[Reading]) -> list[tuple[Micros, str, Quality, str]]:
    return [(r.time, r.value.hex(), r.quality, r.reason) for r in found]


@pytest.mark.slow
@settings(
    max_examples=150,
    deadline=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(groups, asked, st.integers(0, 2**32))
def test_sealed_or_not_every_answer_is_the_same(
    tmp_path_factory: pytest.TempPathFactory,
    template: Path,
    some: list[tuple[list[Row], Micros]],
    questions: list[tuple[Micros, Micros, int]],
    seed: int,
) -> None:
    chance = random.Random(seed)
    folder = tmp_path_factory.mktemp("pair")
    pair = Pair(folder, template)
    now = T0
    for several, later in some:
        now += later
        counts = {
            journal.commit(Group(readings=several, committed_at=now)) for journal in pair.journals
        }
        assert len(counts) == 1
        for _ in range(chance.choice([0, 1, 3, 50])):
            pair.journals[0].maintain(now, 0.0)
        if chance.random() < 0.2:
            now += LATE_REST
    tend(pair.journals[0], now + 8 * HOUR)
    one, other = pair.archives
    recent, sealed, _ = places(one)
    assert recent == 0
    assert sealed == places(other)[0]
    assert one.newest() == other.newest()
    assert pair.journals[0].restore() == pair.journals[1].restore()
    for channel in CHANNELS:
        assert one.span(channel.id) == other.span(channel.id)
        for after, length, points in [(0, 24 * HOUR, 10), *questions]:
            start, end = T0 + after, T0 + after + length
            found = [list(a.readings(channel.id, start, end, None, 1000)) for a in (one, other)]
            assert bits(found[0]) == bits(found[1])
            page = [
                list(a.readings(channel.id, start, end, start + 9, points)) for a in (one, other)
            ]
            assert bits(page[0]) == bits(page[1])
            series = [list(a.series(channel.id, start, end, points)) for a in (one, other)]
            assert same_buckets(*series), series
            good = [r for r in found[0] if r.quality < Quality.BAD]
            assert sum(bucket.count for bucket in series[0]) == len(good)
            assert len(series[0]) <= points
    pair.close()
