"""The journal's own troubles: full disk, other writers, impossible values."""

import math
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path
from threading import Thread

import pytest
from support.stored import LEVEL, T0, WARMTH, notice, readings, whole_group

from weirwatch.domain.alarm import Event
from weirwatch.domain.errors import PermanentError, TransientError, WeirwatchError
from weirwatch.domain.instant import SECOND
from weirwatch.ports import Group, Journal, Quarantined
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal
from weirwatch.store.sqlite_outbox import SqliteOutbox


def content(path: Path) -> list[str]:
    """Everything in the file as text."""
    with closing(sqlite3.connect(path)) as connection:
        return list(connection.iterdump())


@contextmanager
def full_disk(journal: SqliteJournal) -> Iterator[None]:
    """Let the file grow no further, as on a full disk: SQLite answers SQLITE_FULL."""
    connection = journal._connection
    pages = connection.execute("PRAGMA page_count").fetchone()[0]
    connection.execute(f"PRAGMA max_page_count = {pages}")
    yield
    connection.execute("PRAGMA max_page_count = 1073741823")


def test_it_is_the_port(journal: SqliteJournal) -> None:
    port: Journal = journal
    assert port.restore().next_seq == 1


def test_a_full_disk_changes_nothing_and_passes(
    journal: SqliteJournal, numbers: dict[str, int], path: Path
) -> None:
    journal.commit(whole_group(numbers, 1))
    before = content(path)
    big = whole_group(numbers, 2)
    big.readings += readings(numbers[LEVEL.id], [1.0] * 5000, start=T0 + 100 * SECOND)
    with full_disk(journal), pytest.raises(TransientError, match=r"disk is full.*nothing was"):
        journal.commit(big)
    assert content(path) == before
    assert journal.restore().next_seq == 2
    assert journal.commit(big) == 0
    assert journal.restore().next_seq == 3


def test_a_full_disk_that_shows_in_the_middle_of_a_group(
    journal: SqliteJournal, numbers: dict[str, int], path: Path
) -> None:
    """The readings still fit, what comes after them does not."""
    before = content(path)
    group = whole_group(numbers, 1)
    group.quarantined = [Quarantined(T0, "t", "not-senml", "why", b"x" * 4096)] * 50
    with full_disk(journal), pytest.raises(TransientError, match="disk is full"):
        journal.commit(group)
    assert content(path) == before


def test_another_writer_is_waited_for(
    journal: SqliteJournal, numbers: dict[str, int], path: Path
) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        thread = Thread(target=journal.commit, args=(whole_group(numbers, 1),))
        thread.start()
        thread.join(0.2)
        assert thread.is_alive()
        other.execute("COMMIT")
        thread.join(60)
    assert journal.restore().next_seq == 2


def test_another_writer_that_does_not_end(
    journal: SqliteJournal, numbers: dict[str, int], path: Path
) -> None:
    journal._connection.execute("PRAGMA busy_timeout = 50")  # ten seconds are long in a test
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(TransientError, match=r"write lock for too long.*nothing was changed"):
            journal.commit(whole_group(numbers, 1))
        with pytest.raises(TransientError, match="write lock"):
            journal.mark_alive(T0)
        other.execute("ROLLBACK")
    assert journal.commit(whole_group(numbers, 1)) == 0


@pytest.mark.parametrize(
    ("group", "words"),
    [
        (Group(readings=[(T0, 1, math.nan, 0, "")]), "not a number"),
        (Group(readings=[(10**30, 1, 1.0, 0, "")]), "cannot be stored"),
        (Group(events=[(1, Event(T0, "raised")), (1, Event(T0, "returned"))]), "UNIQUE"),
        (Group(notices=[replace(notice(1), payload={"at": object()})]), "cannot be stored"),
    ],
    ids=["nan", "time beyond 64 bits", "a number twice", "a payload that is no JSON"],
)
def test_an_impossible_group_is_refused_whole(
    journal: SqliteJournal, numbers: dict[str, int], path: Path, group: Group, words: str
) -> None:
    before = content(path)
    group.readings += readings(numbers[WARMTH.id], [25.0])
    with pytest.raises(PermanentError, match=words):
        journal.commit(group)
    assert content(path) == before
    assert journal.commit(whole_group(numbers, 1)) == 0


def test_a_channel_number_that_was_never_given(
    journal: SqliteJournal, numbers: dict[str, int], path: Path
) -> None:
    before = content(path)
    with pytest.raises(PermanentError, match=r"channel numbers \[77\]"):
        journal.commit(Group(readings=readings(77, [1.0])))
    assert content(path) == before


def test_text_that_is_not_text_stops_nothing(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive
) -> None:
    odd = "caf\u00e9 \ud800"  # half a surrogate pair, as a JSON string may bring
    event = Event(T0, "acknowledged", who=odd, comment=odd)
    item = Quarantined(T0, odd, "not-senml", odd, b"\xff")
    journal.commit(Group(events=[(1, event)], quarantined=[item], notices=[notice(1, odd)]))
    assert archive.events(None, None, 0, 1)[0].event.who == "caf\u00e9 \\ud800"
    assert archive.quarantined(1)[0].topic == "caf\u00e9 \\ud800"
    assert archive.notices(0, 1)[0][1].recipient == "caf\u00e9 \\ud800"


def test_a_closed_journal_says_so(journal: SqliteJournal) -> None:
    journal.close()
    with pytest.raises(PermanentError, match="closed"):
        journal.commit(Group())


def test_journal_and_outbox_write_at_once_and_both_get_through(
    journal: SqliteJournal, numbers: dict[str, int], path: Path, archive: SqliteArchive
) -> None:
    outbox = SqliteOutbox(path)
    count, done = 150, 0
    troubles: list[WeirwatchError] = []

    def deliver() -> None:
        nonlocal done
        try:
            while done < count:
                for item in outbox.due(T0 + 10**9, 5):
                    outbox.delivered(item.id, T0)
                    done += 1
        except WeirwatchError as error:
            troubles.append(error)

    thread = Thread(target=deliver)
    thread.start()
    for seq in range(1, count + 1):
        journal.commit(whole_group(numbers, seq))
        # Nobody commits without a pause: with a slow disk the other would wait in vain for a gap.
        while seq - done > 20 and thread.is_alive():
            thread.join(0.001)
    thread.join(60)
    assert not thread.is_alive()
    assert troubles == []
    found = archive.notices(0, count + 1)
    assert [item.state for _, item in found] == ["delivered"] * count
    assert [item.attempts for _, item in found] == [1] * count
    outbox.close()
