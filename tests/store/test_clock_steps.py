"""Sealed blocks over steps of a node's clock: nothing lost, nothing twice, the first value wins.

How clocks step (from memory): a correction back and forth by an hour (a wrong zone, mended); the
second that a clock of 86,400 seconds a day counts twice at a leap second; local time at the ends of
summer time, an hour left out and an hour told twice.
"""

import pytest
from support.stored import LEVEL, T0, Row, tend

from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Quality, Reading
from weirwatch.ports import Group
from weirwatch.store.block import HOUR
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

MINUTE = 60 * SECOND
MIDNIGHT = T0 + 12 * HOUR
Stretch = tuple[Micros, Micros, Micros]  # what the node's clock shows: from, to, step


def on(start: Micros, span: Micros, step: Micros = 5 * SECOND) -> Stretch:
    return (start, start + span, step)


STORIES: dict[str, list[Stretch]] = {
    # Back to times that were told before, forth again over what was left out.
    "an hour back and forth": [
        on(T0, 90 * MINUTE),
        on(T0 + 30 * MINUTE, 40 * MINUTE),
        on(T0 + 130 * MINUTE, 60 * MINUTE),
    ],
    # The same, off by two seconds: no time is told twice, all of it lies between.
    "an hour back between": [
        on(T0, 90 * MINUTE),
        on(T0 + 30 * MINUTE + 2 * SECOND, 40 * MINUTE),
        on(T0 + 130 * MINUTE, 60 * MINUTE),
    ],
    "a second told twice": [
        on(MIDNIGHT - 10 * SECOND, 10 * SECOND, SECOND // 4),
        on(MIDNIGHT - SECOND, 10 * SECOND, SECOND // 4),
    ],
    "the hour left out in spring": [on(T0, 2 * HOUR), on(T0 + 3 * HOUR, HOUR)],
    "the hour told twice in autumn": [on(T0, 3 * HOUR), on(T0 + 2 * HOUR, 2 * HOUR)],
}


def story_of(level: int, stretches: list[Stretch]) -> list[list[Row]]:
    """The rows of each stretch; every value is another one, so that none passes for another."""
    rows: list[list[Row]] = []
    count = 0
    for start, end, step in stretches:
        times = range(start, end, step)
        rows.append([])
        for time in times:
            count += 1
            odd = count % 7 == 0
            rows[-1].append((time, level, count / 10, int(odd), "warming up" if odd else ""))
    return rows


@pytest.mark.parametrize("between", [False, True], ids=["sealed at the end", "sealed in between"])
@pytest.mark.parametrize("name", STORIES)
def test_a_clock_step_loses_and_doubles_nothing(
    journal: SqliteJournal,
    numbers: dict[str, int],
    archive: SqliteArchive,
    name: str,
    between: bool,
) -> None:
    told = story_of(numbers[LEVEL.id], STORIES[name])
    now = told[0][0][0]
    first_told: dict[Micros, Row] = {}
    duplicates = 0
    for rows in told:
        now = max(now, rows[-1][0])
        for place in range(0, len(rows), 97):
            some = rows[place : place + 97]
            duplicates += journal.commit(Group(readings=some, committed_at=now))
        for row in rows:
            first_told.setdefault(row[0], row)
        if between:  # what comes next is merged into blocks
            now += 3 * HOUR
            tend(journal, now)
            assert sealed(archive) > 0
    tend(journal, now + 30 * HOUR)
    wanted = [
        Reading(LEVEL.id, time, value, Quality(quality), reason)
        for time, _, value, quality, reason in sorted(first_told.values())
    ]
    assert list(archive.readings(LEVEL.id, 0, 2**60, None, 10**6)) == wanted
    assert duplicates == sum(map(len, told)) - len(wanted)
    assert (duplicates > 0) == (name not in ("an hour back between", "the hour left out in spring"))
    hours = {reading.time // HOUR for reading in wanted}
    assert sealed(archive) == len(hours)
    assert sum(b.count for b in archive.series(LEVEL.id, 0, 2**60, 1)) == len(wanted)
    assert archive.verify() == len(hours)  # each block, and nothing is left among the recent
    assert archive.damaged_parts() == []


def sealed(archive: SqliteArchive) -> int:
    with archive._reading() as connection:
        count: int = connection.execute("SELECT count(*) FROM block").fetchone()[0]
    return count
