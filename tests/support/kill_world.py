"""Kill a writing process at any moment, and say what must be in its file afterwards."""

import os
import signal
import sqlite3
import subprocess
import sys
from collections import Counter
from contextlib import closing
from pathlib import Path
from threading import Timer

from support.sealing_writer import RETENTION, STEP, begin_of, rows_of
from support.stored import CHANNELS, Row

from weirwatch.domain.instant import Micros
from weirwatch.store.block import HOUR
from weirwatch.store.blocks import SPAN
from weirwatch.store.retention import readings_from, summaries_from
from weirwatch.store.sqlite_archive import SqliteArchive

TESTS = Path(__file__).parents[1]


def run_until_killed(data_dir: Path, *, after_lines: int, delay_s: float) -> list[str]:
    """Start a writer, kill it `delay_s` after so many lines, and return what it had printed."""
    writer = subprocess.Popen(
        [sys.executable, str(TESTS / "support" / "sealing_writer.py"), str(data_dir)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join((str(TESTS), *sys.path))},
    )
    assert writer.stdout is not None
    with writer:
        lines = [writer.stdout.readline() for _ in range(after_lines)]
        timer = Timer(delay_s, writer.kill)
        timer.start()
        lines += writer.stdout.readlines()
        timer.join()
    assert writer.returncode == -signal.SIGKILL, lines
    return [line.strip() for line in lines if line.endswith("\n")]


class Expected:
    """What must be in the file after so many groups; grows with them."""

    def __init__(self) -> None:
        self.upto = 0
        self.rows: list[dict[Micros, Row]] = [{} for _ in CHANNELS]

    def grow(self, count: int) -> None:
        for seq in range(self.upto + 1, count + 1):
            for row in rows_of(seq):
                self.rows[row[1] - 1].setdefault(row[0], row)
        self.upto = count


def check(path: Path, expected: Expected, *, settled: bool = False) -> tuple[int, int]:
    """Compare the whole file with what must be there.

    Args:
        path: the file.
        expected: what was committed.
        settled: nothing is left to do: what is old enough must be gone.

    Returns:
        How many hours have lost their readings, and how many of these their summary too.
    """
    check_references(path)
    now = begin_of(expected.upto) + STEP
    archive = SqliteArchive(path)
    gone = forgotten = 0
    for channel, rows in zip(CHANNELS, expected.rows, strict=True):
        kept = RETENTION.of(channel.id, channel.quantity)
        hours = {ts // HOUR for ts in rows}
        found = archive.readings(channel.id, 0, 2 * now, None, 10**7)
        assert len({reading.time for reading in found}) == len(found)
        missing = hours - {reading.time // HOUR for reading in found}
        let_go = {hour for hour in hours if hour < readings_from(kept, now)}
        assert missing <= let_go
        assert [(r.time, r.value, r.quality, r.reason) for r in found] == [
            (ts, rows[ts][2], rows[ts][3], rows[ts][4])
            for ts in sorted(rows)
            if ts // HOUR not in missing
        ]
        first, last = min(rows), max(rows)
        newest = archive.newest()[channel.id]
        assert (newest.time, newest.value) == rows[last][:1] + rows[last][2:3]
        start, end = first // HOUR * HOUR, (last // HOUR + 1) * HOUR
        series = archive.series(channel.id, start, end, (end - start) // HOUR)
        shown = {bucket.start // HOUR: bucket.count for bucket in series}
        counts = Counter(ts // HOUR for ts, row in rows.items() if row[3] < 2)
        assert shown == {hour: counts[hour] for hour in shown}
        no_more = hours - set(shown)
        old = {hour for hour in hours if hour < summaries_from(kept, now)}
        assert no_more <= old & missing
        assert {h // SPAN for h in no_more}.isdisjoint(h // SPAN for h in shown), "half a span"
        if no_more:
            first = min(ts for ts in rows if ts // HOUR in shown)
        span = archive.span(channel.id)
        assert span is not None
        assert (span[0] // HOUR, span[1]) == (first // HOUR, last)
        assert not settled or (missing, no_more) == (let_go, old)
        gone += len(missing)
        forgotten += len(no_more)
    assert archive.verify() > 0 or expected.upto < 24
    assert archive.damaged_parts() == []
    archive.close()
    return gone, forgotten


def check_references(path: Path) -> None:
    """The file is sound, and no bytes of a block lie about."""
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        unreferenced = connection.execute(
            "SELECT count(*) FROM block_data WHERE id NOT IN"
            " (SELECT data_id FROM block WHERE data_id IS NOT NULL)"
        ).fetchone()
        assert unreferenced == (0,)
