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

from support.sealing_writer import RAW_DAYS, STEP, rows_of
from support.stored import CHANNELS, T0, Row

from weirwatch.domain.instant import Micros
from weirwatch.store.block import HOUR
from weirwatch.store.retention import DAY
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


def check(path: Path, expected: Expected) -> int:
    """Compare the whole file with what must be there; return how many hours were let go."""
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        unreferenced = connection.execute(
            "SELECT count(*) FROM block_data WHERE id NOT IN"
            " (SELECT data_id FROM block WHERE data_id IS NOT NULL)"
        ).fetchone()
        assert unreferenced == (0,)
    now = T0 + (expected.upto + 1) * STEP
    let_go_before = (now - round(RAW_DAYS * DAY)) // HOUR
    archive = SqliteArchive(path)
    gone = 0
    for channel, rows in zip(CHANNELS, expected.rows, strict=True):
        found = archive.readings(channel.id, 0, 2 * now, None, 10**7)
        assert len({reading.time for reading in found}) == len(found)
        hours = {reading.time // HOUR for reading in found}
        missing = {ts // HOUR for ts in rows} - hours
        assert all(hour < let_go_before for hour in missing)
        assert [(r.time, r.value, r.quality, r.reason) for r in found] == [
            (ts, rows[ts][2], rows[ts][3], rows[ts][4])
            for ts in sorted(rows)
            if ts // HOUR not in missing
        ]
        first, last = min(rows), max(rows)
        assert archive.span(channel.id) == (first, last)
        newest = archive.newest()[channel.id]
        assert (newest.time, newest.value) == rows[last][:1] + rows[last][2:3]
        start, end = first // HOUR * HOUR, (last // HOUR + 1) * HOUR
        series = archive.series(channel.id, start, end, (end - start) // HOUR)
        counts = Counter(ts // HOUR for ts, row in rows.items() if row[3] < 2)
        assert {bucket.start // HOUR: bucket.count for bucket in series} == counts
        gone += len(missing)
    assert archive.verify() > 0 or expected.upto < 24
    assert archive.damaged_parts() == []
    archive.close()
    return gone
