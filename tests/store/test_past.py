"""Readings of the past: into blocks at once, the first wins, and the same again changes nothing."""

import random
from pathlib import Path

import pytest
from support.stored import CHANNELS, LEVEL, T0, WARMTH, readings, tend

from weirwatch.domain.errors import PermanentError
from weirwatch.domain.instant import SECOND
from weirwatch.domain.reading import Quality, Reading
from weirwatch.ports import Group
from weirwatch.settings import Kept, RetentionSettings
from weirwatch.store.block import HOUR
from weirwatch.store.retention import DAY
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

FAR = 2**60


def old(hours: int, start: int = T0 - 30 * DAY, channel: str = LEVEL.id) -> list[Reading]:
    chance = random.Random(hours)
    return [
        Reading(
            channel,
            start + place * 300 * SECOND + chance.randrange(10**6),
            round(chance.gauss(25, 1), 2),
            *chance.choice([(Quality.GOOD, ""), (Quality.UNCERTAIN, "warming up")]),
        )
        for place in range(hours * 12)
    ]


def stored(archive: SqliteArchive, channel: str = LEVEL.id) -> list[Reading]:
    return list(archive.readings(channel, 0, FAR, None, 10**6))


def test_they_are_packed_at_once_and_the_same_again_changes_nothing(
    journal: SqliteJournal, archive: SqliteArchive
) -> None:
    journal.adopt(CHANNELS, ())
    journal.mark_stopped(T0 - 60 * DAY)
    past = old(30)
    shuffled = random.Random(1).sample(past, len(past))
    assert journal.take_in(shuffled, T0) == 0
    assert stored(archive) == past
    assert archive.verify() == len({r.time // HOUR for r in past})  # blocks alone, none recent
    assert journal.take_in(past, T0) == len(past)
    assert journal.take_in([r._replace(value=-1.0) for r in past], T0) == len(past)
    assert stored(archive) == past
    assert archive.newest()[LEVEL.id].time == past[-1].time
    assert archive.span(LEVEL.id) == (past[0].time, past[-1].time)
    restored = journal.restore()
    assert (restored.alive_at, restored.clean_stop) == (T0 - 60 * DAY, True)


def test_they_join_what_is_sealed_and_what_is_recent(
    journal: SqliteJournal, archive: SqliteArchive
) -> None:
    numbers = journal.adopt(CHANNELS, ())
    level = numbers[LEVEL.id]
    for hour in range(4):
        rows = readings(level, [float(hour)] * 6, T0 + hour * HOUR, 600 * SECOND)
        journal.commit(Group(readings=rows, committed_at=T0 + (hour + 1) * HOUR))
    now = T0 + 4 * HOUR
    tend(journal, now)
    mine = [Reading(LEVEL.id, T0 + place * 300 * SECOND, 9.0) for place in range(48)]
    assert journal.take_in(mine, now) == 24  # every other is there: the first wins
    found = stored(archive)
    assert [r.value for r in found] == [
        9.0 if place % 2 else float(place // 12) for place in range(48)
    ]
    later = readings(level, [5.0], now)
    assert journal.commit(Group(readings=later, committed_at=now)) == 0
    tend(journal, now + 5 * HOUR)
    assert stored(archive) == [*found, Reading(LEVEL.id, now, 5.0)]
    assert archive.verify() == 5


def test_a_commit_afterwards_knows_them(journal: SqliteJournal, archive: SqliteArchive) -> None:
    numbers = journal.adopt(CHANNELS, ())
    past = old(3)
    journal.commit(Group(readings=readings(numbers[WARMTH.id], [1.0]), committed_at=T0))
    journal.take_in(past, T0)
    again = [(r.time, numbers[LEVEL.id], 0.0, 2, "x") for r in past]
    assert journal.commit(Group(readings=again, committed_at=T0)) == len(past)
    assert stored(archive) == past


def test_what_is_older_than_raw_days_leaves_its_summaries(
    path: Path, archive: SqliteArchive
) -> None:
    journal = SqliteJournal(path, retention=RetentionSettings(Kept(400)))
    journal.adopt(CHANNELS, ())
    past = old(30, T0 - 900 * DAY)
    journal.take_in(past, T0)
    tend(journal, T0)
    assert stored(archive) == []
    buckets = archive.series(LEVEL.id, past[0].time, past[-1].time + 1, 100)
    assert sum(bucket.count for bucket in buckets) == len(past)
    assert journal.take_in(past, T0) == len(past)
    journal.close()


def test_all_or_nothing(journal: SqliteJournal, archive: SqliteArchive) -> None:
    journal.adopt(CHANNELS, ())
    past = old(2)
    with pytest.raises(PermanentError, match="no channel nobody/knows/it"):
        journal.take_in([*past, Reading("nobody/knows/it", T0, 1.0)], T0)
    with pytest.raises(PermanentError, match="not a number"):
        journal.take_in([*past, Reading(WARMTH.id, T0 - 9 * DAY, float("nan"))], T0)
    assert stored(archive) == []
    assert journal.take_in([], T0) == 0
