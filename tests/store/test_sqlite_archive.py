"""The read side's own troubles: no file, other versions, many threads, a writer at work."""

import re
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from threading import Event, Thread

import pytest
from support.stored import CHANNELS, LEVEL, T0, readings, tend, whole_group

from weirwatch.domain.errors import ConfigError, PermanentError, TransientError, WeirwatchError
from weirwatch.domain.instant import SECOND
from weirwatch.ports import Archive, Group, Quarantined
from weirwatch.store import hot, old_blocks
from weirwatch.store.block import HOUR
from weirwatch.store.connection import wal_of
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import WAL_LIMIT, SqliteJournal


def test_it_is_the_port(archive: SqliteArchive) -> None:
    port: Archive = archive
    port.close()


def test_no_file_yet(archive: SqliteArchive, path: Path) -> None:
    with pytest.raises(ConfigError, match=r"no data yet; start the service once"):
        archive.newest()
    assert list(path.parent.iterdir()) == []
    journal = SqliteJournal(path)
    assert archive.newest() == {}  # and it is found once it is there
    journal.close()


def test_it_reads_after_a_clean_stop(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive
) -> None:
    journal.commit(whole_group(numbers, 1))
    journal.close()
    assert archive.last_seq() == 1


def test_it_cannot_write(journal: SqliteJournal, archive: SqliteArchive) -> None:
    with (
        archive._reading() as connection,
        pytest.raises(sqlite3.OperationalError, match="readonly"),
    ):
        connection.execute("DELETE FROM meta")


def test_other_versions_are_refused(
    journal: SqliteJournal, archive: SqliteArchive, path: Path
) -> None:
    journal.close()
    with closing(sqlite3.connect(path)) as other:
        other.execute("INSERT INTO migration VALUES (99, 'from the future')")
        other.commit()
        with pytest.raises(ConfigError, match="newer Weirwatch"):
            archive.newest()
        other.execute("DELETE FROM migration")
        other.execute("INSERT INTO migration VALUES (0, 'from the past')")
        other.commit()
        with pytest.raises(TransientError, match="older Weirwatch"):
            archive.newest()


def test_a_closed_archive_says_so(journal: SqliteJournal, archive: SqliteArchive) -> None:
    assert archive.newest() == {}
    archive.close()
    archive.close()
    with pytest.raises(PermanentError, match="closed"):
        archive.newest()


def test_many_threads_read_while_one_writes(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive
) -> None:
    """Readers see whole groups only, and never stop the writer."""
    journal.commit(whole_group(numbers, 1))
    stop = Event()
    troubles: list[str] = []
    reads = [0] * 6

    def read(place: int) -> None:
        try:
            while not stop.is_set():
                seq = archive.last_seq()
                found = archive.events(None, None, seq - 1, 1)
                group = archive.readings(LEVEL.id, T0 + seq * SECOND, T0 + 2**40, None, 1)
                if found[0].seq != seq or group[0].value != float(seq):
                    troubles.append(f"event {found[0].seq}, reading {group[0].value}, not {seq}")
                reads[place] += 1
        except WeirwatchError as error:
            troubles.append(repr(error))

    threads = [Thread(target=read, args=(place,)) for place in range(len(reads))]
    for thread in threads:
        thread.start()
    seq, ends = 1, time.monotonic() + 60
    # On a busy machine one of the threads may not have had its turn by then.
    while seq < 150 or (min(reads) == 0 and not troubles and time.monotonic() < ends):
        seq += 1
        journal.commit(whole_group(numbers, seq))
    stop.set()
    for thread in threads:
        thread.join(60)
    assert troubles == []
    assert min(reads) > 0
    assert len(archive._idle) <= 4


def bulky(seq: int) -> Group:
    """A group of more than a megabyte, of which the file keeps a bounded part."""
    item = Quarantined(T0, "weirwatch/x", "not-senml", "why", b"x" * 4096)
    return Group(quarantined=[item] * 250, committed_at=T0 + seq)


def read_slowly(path: Path, stop: Event, held_s: float) -> None:
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as reader:
        reader.isolation_level = None
        while not stop.is_set():
            reader.execute("BEGIN")
            reader.execute("SELECT count(*) FROM event").fetchone()
            stop.wait(held_s)
            reader.execute("COMMIT")


def test_readers_that_always_overlap_do_not_make_the_log_grow(
    journal: SqliteJournal, path: Path
) -> None:
    """There is always a reader in the way of the log's being emptied, but never the same."""
    stop = Event()
    threads = [Thread(target=read_slowly, args=(path, stop, s)) for s in (0.05, 0.03, 0.021, 0.013)]
    for thread in threads:
        thread.start()
    largest = 0
    for seq in range(400):  # on a busy machine there may be a moment without a reader
        journal.commit(bulky(seq))
        largest = max(largest, wal_of(path).stat().st_size)
        if seq >= 60 and largest > WAL_LIMIT:
            break
    stop.set()
    for thread in threads:
        thread.join(60)
    assert largest < 3 * WAL_LIMIT
    assert largest > WAL_LIMIT, "the readers were not in the way: this test shows nothing"


def test_a_reader_that_stays_does_not_stop_the_writer(
    journal: SqliteJournal, numbers: dict[str, int], path: Path
) -> None:
    """A stopped process in the middle of a read: the log grows meanwhile, and shrinks after."""
    journal.commit(whole_group(numbers, 1))
    seq = 0
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as stopped:
        stopped.execute("BEGIN")
        assert stopped.execute("SELECT count(*) FROM event").fetchone() == (1,)
        while wal_of(path).stat().st_size < 2 * WAL_LIMIT:
            seq += 1
            journal.commit(bulky(seq))
        journal.commit(whole_group(numbers, 2))
        assert stopped.execute("SELECT count(*) FROM event").fetchone() == (1,)
        stopped.execute("COMMIT")
    for _ in range(10):
        seq += 1
        journal.commit(bulky(seq))
    assert wal_of(path).stat().st_size < WAL_LIMIT
    assert journal.restore().next_seq == 3


def plans_of(archive: SqliteArchive, call: Callable[[], object]) -> list[str]:
    """How SQLite finds what the call asks for, statement by statement."""
    seen: list[str] = []
    with archive._reading() as connection:
        connection.set_trace_callback(seen.append)
    call()
    with archive._reading() as connection:
        connection.set_trace_callback(None)
        plans = [row[3] for sql in seen for row in connection.execute(f"EXPLAIN QUERY PLAN {sql}")]
    assert plans
    return plans


def test_newest_reads_the_last_commits_only(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive
) -> None:
    level = numbers[LEVEL.id]
    looked_at = []
    for place in range(200):
        journal.commit(Group(readings=readings(level, [1.0] * 20, start=T0 + place * 10**8)))
        with archive._reading() as connection:
            (upto,) = connection.execute("SELECT newest_upto FROM meta").fetchone()
            looked_at.append(len(hot.after(connection, upto)))
        assert archive.newest()[LEVEL.id].time == T0 + place * 10**8 + 95 * SECOND
    assert max(looked_at) < 80
    plans = plans_of(archive, archive.newest)
    assert [plan for plan in plans if "reading" in plan] == [
        "SEARCH reading USING INTEGER PRIMARY KEY (rowid>?)"
    ]
    assert not [plan for plan in plans if "block" in plan]


def test_no_history_table_is_scanned(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive
) -> None:
    level = numbers[LEVEL.id]
    for hour in range(30):
        rows = readings(level, [1.0, 2.0], start=T0 + hour * HOUR)
        journal.commit(Group(readings=rows, committed_at=rows[-1][0]))
    tend(journal, T0 + 25 * HOUR)
    end = T0 + 30 * HOUR
    asked: list[Callable[[], object]] = [
        lambda: archive.series(LEVEL.id, T0 + 1, end - 1, 10),
        lambda: archive.series(LEVEL.id, T0 + 1, end - 1, 30),
        lambda: archive.series(LEVEL.id, T0 + 1, end - 1, 1000),
        lambda: archive.readings(LEVEL.id, T0, end, None, 1000),
        lambda: archive.span(LEVEL.id),
        archive.newest,
    ]
    for call in asked:
        plans = [plan for plan in plans_of(archive, call) if "block" in plan or " one" in plan]
        assert all(plan.startswith("SEARCH ") for plan in plans), plans
        assert all("channel_id=?" in plan or "rowid=?" in plan for plan in plans), plans


def test_what_maintenance_asks_is_found_without_a_scan(
    journal: SqliteJournal, numbers: dict[str, int], archive: SqliteArchive
) -> None:
    with archive._reading() as connection:
        for sql in (old_blocks._OLDEST, old_blocks._FIRST, *old_blocks._FORGET):
            values = (1,) * sql.count("?") or {"none": 1}
            plans = [row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {sql}", values)]
            on_blocks = [plan for plan in plans if "block" in plan and "damaged" not in plan]
            for plan in on_blocks:
                assert re.match(r"SEARCH \w+ USING .*(channel_id=|rowid=)", plan), plans


def test_channels_are_all_that_ever_were(journal: SqliteJournal, archive: SqliteArchive) -> None:
    journal.adopt(CHANNELS, ())
    journal.adopt((LEVEL,), ())
    assert list(archive.channels()) == sorted(CHANNELS, key=lambda channel: channel.id)
