"""How long a step of retention takes, and a look that finds nothing, in a file of over a year.

    PYTHONPATH=services:tests python tests/bench/retention.py [--channels 40] [--days 400]

Each block is a true one of 720 readings. Beside the clock on the wall, which holds the disk's time
for each transaction, stands the processor's, which a busy machine does not change much.
"""

import argparse
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np

from weirwatch.domain.instant import SECOND
from weirwatch.domain.reading import Channel
from weirwatch.settings import Kept, RetentionSettings
from weirwatch.store import blocks
from weirwatch.store.ageing import Ageing
from weirwatch.store.block import HOUR, Readings, check_of
from weirwatch.store.blocks import DamageNotes
from weirwatch.store.connection import open_writer
from weirwatch.store.retention import Retention
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_journal import SqliteJournal

END = 1_777_636_800 * SECOND // HOUR  # hours since 1970


def block_of_an_hour() -> blocks.Found:
    chance = np.random.default_rng(1)
    ts = np.arange(720, dtype=np.int64) * 5 * SECOND + chance.integers(0, 9000, 720)
    readings = Readings(ts, np.round(25 + chance.normal(0, 0.05, 720), 2), np.zeros(720, np.int64))
    return blocks.prepared(0, 0, readings)


def fill(connection: sqlite3.Connection, channels: int, hours: int) -> None:
    """Write blocks as they are written in life: hour by hour, of all channels."""
    like = block_of_an_hour()
    codec, *data = like.content()
    connection.execute("PRAGMA synchronous = OFF")
    connection.execute("BEGIN")
    number = 0
    for hour in range(END - hours, END):
        rows = []
        for channel in range(1, channels + 1):
            number += 1
            crc = check_of(channel, hour, like.summary, like.packed)
            rows.append((channel, hour, *like.summary, codec, crc, number))
        connection.executemany(
            "INSERT INTO block_data VALUES (?, ?, ?, ?)", [(row[-1], *data) for row in rows]
        )
        connection.executemany(blocks._ADD, rows)
    connection.execute("COMMIT")
    connection.execute("PRAGMA synchronous = FULL")


def timed(what: str, work: Callable[[], bool], times: int, *, does: bool = True) -> None:
    wall, cpu = [], []
    for _ in range(times):
        clock, processor = time.perf_counter(), time.process_time()
        assert work() is does
        wall.append(1e3 * (time.perf_counter() - clock))
        cpu.append(1e3 * (time.process_time() - processor))
    print(
        f"{what}: middle of {times} {statistics.median(wall):.2f} ms, longest {max(wall):.1f} ms;"
        f" processor {statistics.median(cpu):.2f} ms",
        flush=True,
    )


def main() -> None:
    """Make the file, and let it go."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--channels", type=int, default=40)
    parser.add_argument("--days", type=int, default=400)
    options = parser.parse_args()
    names = [f"hall/node/c{n}" for n in range(options.channels)]
    kinds = ["level" if n % 2 else "temperature" for n in range(options.channels)]
    channels = [Channel(name, kind, "mm") for name, kind in zip(names, kinds, strict=True)]
    now = END * HOUR
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / FILE_NAME
        with closing(SqliteJournal(path)) as journal:
            journal.adopt(channels, ())
        with closing(open_writer(path)) as connection:
            fill(connection, options.channels, 24 * options.days)
            print(f"{path.stat().st_size / 1e6:.0f} MB", flush=True)

            def step(kept: dict[str, Kept]) -> Callable[[], bool]:
                settings = RetentionSettings(by_quantity=kept)
                retention = Retention(path, settings, Ageing(path, None), DamageNotes())
                return lambda: retention.step(connection, now)

            all_kept = Kept(options.days + 1, 2 * options.days / 365.25)
            timed("nothing to do", step(dict.fromkeys(kinds, all_kept)), 500, does=False)
            kept = Kept(options.days - 60)
            timed("an hour of all channels", step(dict.fromkeys(kinds, kept)), 500)
            timed("an hour of half of them", step({"level": kept}), 700)
            kept = Kept(None, (options.days - 44) / 365.25)
            timed("512 hours' summaries of a channel", step({"level": kept}), 20)
            kept = Kept(None, 28 / 365.25)  # in life they never have readings
            timed("the same with readings", step({"temperature": kept}), 20)


if __name__ == "__main__":
    main()
