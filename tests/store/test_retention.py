"""How long what is kept: by class, in both directions, against a model that knows every hour."""

import random
import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from support.stored import CHANNELS, LEVEL, T0, WARMTH, tend

from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Quality, Reading
from weirwatch.ports import Group
from weirwatch.settings import Kept, RetentionSettings
from weirwatch.store.block import HOUR
from weirwatch.store.blocks import SPAN
from weirwatch.store.connection import open_new
from weirwatch.store.retention import DAY
from weirwatch.store.schema import FILE_NAME, MIGRATIONS, make_file, upgrade
from weirwatch.store.sealing import LATE_REST
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal
from weirwatch.store.upkeep import REST

SPAN_TIME: Micros = SPAN * HOUR
FAR = 2**60


def years(spans: float) -> float:
    """So many spans of 512 hours as years of 365.25 days."""
    return spans * SPAN / (24 * 365.25)


def hourly(start: Micros, hours: int, channel: str = LEVEL.id, every: int = 1) -> list[Reading]:
    """Four readings in every so many hours."""
    chance = random.Random(hours)
    return [
        Reading(channel, start + n * 900 * SECOND, round(chance.gauss(25, 1), 2))
        for n in range(4 * hours)
        if n // 4 % every == 0
    ]


def opened(path: Path, retention: RetentionSettings) -> SqliteJournal:
    journal = SqliteJournal(path, retention=retention)
    journal._connection.execute("PRAGMA synchronous = OFF")  # a power cut is no matter here
    journal.adopt(CHANNELS, ())
    return journal


def raw(archive: SqliteArchive, channel: str) -> list[Reading]:
    return list(archive.readings(channel, 0, FAR, None, 10**6))


def counts(archive: SqliteArchive, channel: str, start: Micros, end: Micros) -> dict[int, int]:
    found = archive.series(channel, start, end, (end - start) // HOUR)
    return {bucket.start // HOUR: bucket.count for bucket in found}


def check_file(path: Path) -> None:
    """Nothing lies about, and the marks say what is so."""
    with closing(sqlite3.connect(path)) as connection:
        ask = connection.execute
        kept = "SELECT data_id FROM block WHERE data_id IS NOT NULL"
        aside = "SELECT data_id FROM damaged_block WHERE data_id IS NOT NULL"
        assert not ask(
            f"SELECT id FROM block_data EXCEPT SELECT * FROM ({kept} UNION {aside})"
        ).fetchall()
        marks = dict(ask("SELECT channel_id, hour FROM raw_from").fetchall())
        early = set(ask("SELECT channel_id, t0 FROM early_block").fetchall())
        for channel, hour, data in ask("SELECT channel_id, t0, data_id FROM block").fetchall():
            before = hour < marks.get(channel, -FAR)
            assert (data is not None) == (not before or (channel, hour) in early)
            early.discard((channel, hour))
        assert early == set()
        spans = set(ask(f"SELECT DISTINCT channel_id, t0 / {SPAN} FROM block").fetchall())
        assert set(ask("SELECT id / 65536, id % 65536 FROM span").fetchall()) <= spans
        assert set(ask("SELECT channel_id, span FROM stale_span").fetchall()) <= spans


# --- by class ----------------------------------------------------------------------------------


def test_each_class_goes_at_its_own_time(path: Path) -> None:
    retention = RetentionSettings(
        Kept(raw_days=10), by_quantity={"temperature": Kept(raw_days=30, hourly_years=years(3))}
    )
    now = T0 // SPAN_TIME * SPAN_TIME
    start = now - 5 * SPAN_TIME
    with closing(opened(path, retention)) as journal, closing(SqliteArchive(path)) as archive:
        for channel in CHANNELS:
            journal.take_in(hourly(start, 5 * SPAN, channel.id, every=16), now)
        whole = counts(archive, LEVEL.id, start, now)
        tend(journal, now)
        assert raw(archive, LEVEL.id)[0].time == now - 10 * DAY
        assert raw(archive, WARMTH.id)[0].time == now - 30 * DAY
        assert counts(archive, LEVEL.id, start, now) == whole
        assert counts(archive, WARMTH.id, start, now) == {
            hour: count for hour, count in whole.items() if hour * HOUR >= start + 2 * SPAN_TIME
        }
        assert archive.span(WARMTH.id) == (start + 2 * SPAN_TIME, now - 16 * HOUR + 2700 * SECOND)
        assert archive.verify() > 0
        assert archive.damaged_parts() == []
    check_file(path)


def test_a_channel_that_is_configured_no_more_is_kept_as_its_quantity_says(path: Path) -> None:
    retention = RetentionSettings(Kept(raw_days=3), by_quantity={"temperature": Kept(raw_days=9)})
    with closing(opened(path, retention)) as journal:
        for channel in CHANNELS:
            journal.take_in(hourly(T0 - 12 * DAY, 288, channel.id), T0)
    with (
        closing(SqliteJournal(path, retention=retention)) as journal,
        closing(SqliteArchive(path)) as archive,
    ):
        journal.adopt((LEVEL,), ())
        tend(journal, T0)
        assert raw(archive, LEVEL.id)[0].time == T0 - 3 * DAY
        assert raw(archive, WARMTH.id)[0].time == T0 - 9 * DAY


def test_one_step_is_one_hour_of_the_channels_concerned(path: Path) -> None:
    with closing(opened(path, RetentionSettings())) as journal:
        for channel in CHANNELS:
            journal.take_in(hourly(T0 - 9 * HOUR, 4, channel.id), T0)
    with (
        closing(opened(path, RetentionSettings(Kept(raw_days=0.25)))) as journal,
        closing(SqliteArchive(path)) as archive,
    ):
        left = []
        while journal.maintain(T0, 0.0):
            left.append([len(raw(archive, channel.id)) // 4 for channel in CHANNELS])
        assert left == [[3, 3], [2, 2], [1, 1]]


# --- what comes too late -----------------------------------------------------------------------


def test_what_comes_for_hours_that_are_gone_is_counted_and_not_stored(path: Path) -> None:
    retention = RetentionSettings(Kept(raw_days=5, hourly_years=years(1)))
    start = T0 // SPAN_TIME * SPAN_TIME
    old = hourly(start - 3 * SPAN_TIME, 10)
    now = start + 20 * HOUR
    with closing(opened(path, retention)) as journal, closing(SqliteArchive(path)) as archive:
        level = journal.adopt(CHANNELS, ())[LEVEL.id]
        assert journal.take_in(old, now) == len(old)
        rows = [(r.time, level, r.value, 0, "") for r in old]
        here = (now, level, 1.0, 0, "")
        assert journal.commit(Group(readings=[*rows, here], committed_at=now)) == len(old)
        assert journal.counters()["let_go_late"] == 2 * len(old)
        assert [r.time for r in raw(archive, LEVEL.id)] == [now]
        edge = [Reading(LEVEL.id, start - SPAN_TIME - 1, 2.0), Reading(LEVEL.id, start, 3.0)]
        assert journal.take_in(edge, now) == 1
        assert [r.time for r in raw(archive, LEVEL.id)] == [start, now]


def test_a_block_with_readings_goes_with_them_and_one_set_aside_too(path: Path) -> None:
    start = T0 // SPAN_TIME * SPAN_TIME
    now = start + SPAN_TIME
    with closing(opened(path, RetentionSettings(Kept(raw_days=1)))) as journal:
        journal.take_in(hourly(start + 100 * HOUR, 4), now)
        tend(journal, now)
    with closing(opened(path, RetentionSettings())) as journal:
        journal.take_in(hourly(start, 4), now)  # before what was let go
        with closing(sqlite3.connect(path)) as connection, connection:
            connection.execute("UPDATE block SET crc = crc + 1 WHERE t0 = ?", (start // HOUR,))
        late = [Reading(LEVEL.id, start + SECOND, 1.0)]
        assert journal.take_in(late, now) == 0  # the damaged one is set aside
    check_file(path)
    with closing(opened(path, RetentionSettings(Kept(None, years(1))))) as journal:
        tend(journal, start + 3 * SPAN_TIME)
    with closing(sqlite3.connect(path)) as connection:
        tables = ("block", "block_data", "damaged_block", "early_block", "span", "stale_span")
        for table in tables:
            assert connection.execute(f"SELECT count(*) FROM {table}").fetchone() == (0,), table


# --- an older file -----------------------------------------------------------------------------


def as_before_classes(path: Path) -> None:
    """Make the file one of schema 10, where one mark stood for all channels."""
    old = path.with_name("old.sqlite3")
    old.touch()
    with closing(open_new(old)) as connection:
        upgrade(connection, old, MIGRATIONS[:10])
        connection.execute("ATTACH ? AS new", (str(path),))
        tables = connection.execute("SELECT name FROM main.sqlite_schema WHERE type = 'table'")
        for (name,) in tables.fetchall():
            if name == "meta":
                columns = "id, alive_at, clean_stop, newest_upto, sealed_end"
                connection.execute(
                    f"REPLACE INTO main.meta ({columns}, raw_from)"
                    f" SELECT {columns}, (SELECT min(hour) FROM new.raw_from) FROM new.meta"
                )
            elif name != "migration":
                connection.execute(f"REPLACE INTO main.{name} SELECT * FROM new.{name}")
    for name in (path, path.with_name(f"{path.name}-wal"), path.with_name(f"{path.name}-shm")):
        name.unlink(missing_ok=True)
    old.replace(path)


def test_a_file_of_before_classes_goes_on(path: Path) -> None:
    past = {c.id: hourly(T0 - 20 * DAY, 480, c.id) for c in CHANNELS}
    with closing(opened(path, RetentionSettings(Kept(raw_days=15)))) as journal:
        for some in past.values():
            journal.take_in(some, T0)
        tend(journal, T0)
    as_before_classes(path)
    retention = RetentionSettings(Kept(raw_days=15), by_quantity={"level": Kept(raw_days=5)})
    with closing(opened(path, retention)) as journal, closing(SqliteArchive(path)) as archive:
        assert journal.take_in(past[LEVEL.id], T0) == len(past[LEVEL.id])
        early = [Reading(LEVEL.id, T0 - 30 * DAY, 1.0)]
        assert journal.take_in(early, T0) == 0
        tend(journal, T0)
        assert raw(archive, LEVEL.id)[0].time == T0 - 5 * DAY
        assert raw(archive, WARMTH.id)[0].time == T0 - 15 * DAY
        whole = counts(archive, LEVEL.id, T0 - 40 * DAY, T0)
        assert sum(whole.values()) == len(past[LEVEL.id]) + 1
        assert archive.damaged_parts() == []
    check_file(path)


# --- a model that knows every hour -------------------------------------------------------------


@dataclass
class Model:
    """Every reading by channel and hour; which hours have lost theirs.

    Attributes:
        begins: by channel the first time that is known of; the newest reading always is.
    """

    retention: RetentionSettings
    hours: dict[tuple[str, int], dict[Micros, float]] = field(default_factory=dict)
    summed: set[tuple[str, int]] = field(default_factory=set)
    begins: dict[str, Micros] = field(default_factory=dict)
    newest: dict[str, Micros] = field(default_factory=dict)

    def kept(self, channel: str) -> Kept:
        return self.retention.of(channel, "level" if channel == LEVEL.id else "temperature")

    def summary_gone(self, channel: str, hour: int, now: Micros) -> bool:
        limit = self.kept(channel).hourly_years
        end = (hour // SPAN + 1) * SPAN_TIME  # the three weeks that it lies in are over by then
        return limit is not None and end <= now - round(limit * 8766 * HOUR) // HOUR * HOUR

    def add(self, readings: list[Reading], now: Micros) -> int:
        """Return how many are refused: there already, summed up, or gone."""
        refused = 0
        for r in readings:
            key = (r.channel, r.time // HOUR)
            there = self.hours.get(key, {})
            if self.summary_gone(*key, now) or key in self.summed or r.time in there:
                refused += 1
            else:
                self.hours.setdefault(key, {})[r.time] = r.value
                self.begins[r.channel] = min(self.begins.get(r.channel, r.time), r.time)
                self.newest[r.channel] = max(self.newest.get(r.channel, r.time), r.time)
        return refused

    def tend(self, now: Micros) -> None:
        for channel, hour in list(self.hours):
            days = self.kept(channel).raw_days
            if days is not None and (hour + 1) * HOUR <= now // HOUR * HOUR - days * DAY:
                self.summed.add((channel, hour))
            if self.summary_gone(channel, hour, now):
                del self.hours[channel, hour]
                self.summed.discard((channel, hour))
                left = [min(some) for (name, _), some in self.hours.items() if name == channel]
                self.begins[channel] = min(left, default=self.newest[channel])

    def let_oldest_go(self, before: Micros) -> bool:
        whole = [hour for channel, hour in self.hours if (channel, hour) not in self.summed]
        oldest = min(whole, default=None)
        if oldest is None or oldest >= before // HOUR:
            return False
        self.summed.update(key for key in self.hours if key[1] == oldest)
        return True


kept_times = st.builds(
    Kept,
    st.sampled_from([None, 0.5, 2.0, 10.0, 40.0]),
    st.sampled_from([None, None, years(0.1), years(1), years(2)]),
)
retentions = st.builds(
    RetentionSettings,
    kept_times,
    st.dictionaries(st.sampled_from(["level", "temperature"]), kept_times, max_size=2),
    st.dictionaries(st.just(WARMTH.id), kept_times, max_size=1),
)
ages = st.integers(3, 30) | st.integers(3, 4 * SPAN)
acts = st.one_of(
    st.tuples(st.just("commit"), ages, st.integers(1, 4)),
    st.tuples(st.just("take_in"), ages, st.integers(1, 4)),
    st.tuples(st.just("later"), st.integers(1, 20) | st.integers(1, SPAN), st.just(0)),
    st.tuples(st.just("tend"), st.just(0), st.just(0)),
    st.tuples(st.just("room"), st.integers(0, 600), st.just(0)),
    st.tuples(st.just("again"), st.integers(0, 9), st.just(0)),
)


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("template") / FILE_NAME
    make_file(path)
    return path


def some_readings(now: Micros, age: int, hours: int, chance: random.Random) -> list[Reading]:
    channels = chance.choice([CHANNELS, (LEVEL,), (WARMTH,)])
    return [
        Reading(
            channel.id,
            (now // HOUR - age + n) * HOUR + chance.randrange(5) * 700 * SECOND,
            chance.randrange(1000) / 10,
            chance.choice((Quality.GOOD, Quality.UNCERTAIN)),
        )
        for channel in channels
        for n in range(min(hours, age - 2))
        for _ in range(3)
    ]


@settings(
    max_examples=120,
    deadline=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    st.lists(retentions, min_size=1, max_size=3),
    st.lists(acts, min_size=5, max_size=40),
    st.integers(0, 2**32),
)
def test_whatever_happens_what_is_kept_is_what_the_model_keeps(
    tmp_path_factory: pytest.TempPathFactory,
    template: Path,
    several: list[RetentionSettings],
    what: list[tuple[str, int, int]],
    seed: int,
) -> None:
    chance = random.Random(seed)
    path = tmp_path_factory.mktemp("kept") / FILE_NAME
    shutil.copy(template, path)
    model = Model(several[0])
    journal, archive = opened(path, several[0]), SqliteArchive(path)
    numbers = dict(journal.adopt(CHANNELS, ()))
    now = T0
    for act, size, hours in [*what, ("tend", 0, 0)]:
        if act == "later":
            now += size * HOUR
        elif act == "again":
            journal.close()
            model.retention = several[size % len(several)]
            journal = opened(path, model.retention)
        elif act in ("commit", "take_in"):
            some = some_readings(now, size, hours, chance)
            refused = model.add(some, now)
            if act == "take_in":
                assert journal.take_in(some, now) == refused
            else:
                rows = [(r.time, numbers[r.channel], r.value, int(r.quality), "") for r in some]
                assert journal.commit(Group(readings=rows, committed_at=now)) == refused
        else:
            tend(journal, now)
            model.tend(now)
            now += LATE_REST + REST  # what came late is sealed by then
            tend(journal, now)
            model.tend(now)
            if act == "room":
                before = now - size * HOUR
                for _ in range(3):
                    gone = journal._retention.let_oldest_go(journal._connection, before)
                    assert gone == model.let_oldest_go(before)
            compare(archive, model, now)
            check_file(path)
    journal.close()
    archive.close()


def compare(archive: SqliteArchive, model: Model, now: Micros) -> None:
    start, end = (now // HOUR - 14 * SPAN) * HOUR, now // HOUR * HOUR
    for channel in CHANNELS:
        own = {hour: found for (name, hour), found in model.hours.items() if name == channel.id}
        found = [(r.time, r.value) for r in raw(archive, channel.id)]
        assert found == sorted(
            item
            for hour, some in own.items()
            if (channel.id, hour) not in model.summed
            for item in some.items()
        )
        assert all(hour * HOUR >= start for hour in own)
        shown = counts(archive, channel.id, start, end)
        assert shown == {hour: len(some) for hour, some in own.items()}
        known = model.begins.get(channel.id), model.newest.get(channel.id)
        assert (archive.span(channel.id) or (None, None)) == known
    assert archive.verify() >= 0
    assert archive.damaged_parts() == []


def test_the_model_lets_something_go() -> None:
    """Guard: the comparison above would say nothing of a model that keeps all."""
    model = Model(RetentionSettings(Kept(2.0, years(1))))
    assert model.add([Reading(LEVEL.id, T0 - 20 * DAY, 1.0)], T0) == 0
    model.tend(T0)
    assert model.summed
    model.tend(T0 + 2 * SPAN_TIME)
    assert model.hours == {}
