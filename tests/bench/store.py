"""The store beside plain SQLite rows and VictoriaMetrics: bytes, wear, speed, in one run.

    .venv/bin/python tests/bench/store.py                                # 3.1 million, 4 minutes
    .venv/bin/python tests/bench/store.py --channels 40 --year-every 5   # 27 million

Every store gets the same readings (tests/support/bench_readings.py): so many channels at 5 s for 30
days, and one for a year. "Cold": a new process whose files are not in memory; the time runs
from opening the file to the answer. VictoriaMetrics is asked over HTTP; its first answers come from
a new process, but the system may have its files in memory.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from support.bench_peers import (
    YEAR,
    InfluxPeer,
    Ours,
    Peer,
    Plain,
    Row,
    Victoria,
    far_queries,
    folder_bytes,
    have_influx,
    have_victoria,
    our_queries,
    parts_of_ours,
    plain_queries,
    victoria_queries,
)
from support.bench_readings import HOUR, channels, rows

from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Channel
from weirwatch.store.schema import FILE_NAME

END: Micros = 1_777_636_800 * SECOND  # 2026-05-01T12:00:00Z
BATCH = 10_000
WARM_RUNS = 5
Kind = Callable[[Path, int], Any]


def written() -> dict[str, int]:
    """Bytes this process has handed over (wchar) and that went to the disk (write_bytes)."""
    lines = Path("/proc/self/io").read_text().splitlines()
    return {name: int(count) for name, count in (line.split(": ") for line in lines)}


def batches(hours: int, count: int, size: int) -> Iterator[list[Row]]:
    """All readings of the main channels, in commits of at least so many."""
    batch: list[Row] = []
    for sample in rows(END - hours * HOUR, hours, count):
        batch += sample
        if len(batch) >= size:
            yield batch
            batch = []
    if batch:
        yield batch


def year_batches(place: int, every_s: int) -> Iterator[list[Row]]:
    """One channel for a year."""
    chance = np.random.default_rng(7)
    steps = np.arange(8760 * 3600 // every_s)
    for low in range(0, len(steps), BATCH):
        some = steps[low : low + BATCH] * every_s
        day = np.sin(some / 86_400 * 2 * np.pi) / 4
        values = np.round(25 + day + chance.normal(0, 0.02, len(some)), 2).tolist()
        times = (END - 8760 * HOUR + some * SECOND).tolist()
        yield [(ts, place, value) for ts, value in zip(times, values, strict=True)]


def wear(kind: Kind, samples: int, hours: int) -> tuple[float, float, float]:
    """Bytes handed over and bytes to the disk per reading, and readings a second."""
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as folder:
        store: Peer = kind(Path(folder), 40)
        before, began, count = written(), time.perf_counter(), 0
        for batch in batches(hours, 40, samples * 40):
            store.write(batch)
            count += len(batch)
        took = time.perf_counter() - began
        store.close()
        after = written()
    return (
        (after["wchar"] - before["wchar"]) / count,
        (after["write_bytes"] - before["write_bytes"]) / count,
        count / took,
    )


def load(kind: Kind, folder: Path, count: int, every_s: int = 60) -> tuple[Any, int, float]:
    """Fill a store; return it, how many readings it took, and how many of them a second."""
    store = our_store_with_year(folder, count) if kind is Ours else kind(folder, count)
    number, took = 0, 0.0
    for source in (year_batches(count, every_s), batches(720, count, BATCH)):
        for batch in source:
            began = time.perf_counter()
            store.write(batch)
            took += time.perf_counter() - began
            number += len(batch)
    return store, number, number / took


def our_store_with_year(folder: Path, count: int) -> Ours:
    store = Ours(folder, count)
    year = Channel(YEAR, "temperature", "Cel")
    numbers = store._journal.adopt([*channels(count), year], ())
    store._numbers = list(numbers.values())
    return store


def ask(which: str, folder: Path, count: int, query: str) -> None:
    """In a process of its own: print milliseconds for the first answer and the best later one."""
    for part in folder.iterdir():
        if part.is_file():
            with part.open("rb") as handle:
                os.fsync(handle.fileno())
                os.posix_fadvise(handle.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    queries = our_queries if which == "ours" else plain_queries
    began = time.perf_counter()
    found, close = queries(folder, END, count)
    found[query]()
    cold = time.perf_counter() - began
    warm = min(_timed(found[query]) for _ in range(WARM_RUNS))
    close()
    sys.stdout.write(json.dumps([cold * 1000, warm * 1000]))


def _timed(call: Callable[[], Any]) -> float:
    began = time.perf_counter()
    call()
    return time.perf_counter() - began


def asked(which: str, folder: Path, count: int, query: str) -> tuple[float, float]:
    """Cold and warm milliseconds of a query; cold is the median of three processes."""
    answers = [
        json.loads(
            subprocess.run(
                [sys.executable, __file__, "--ask", which, str(folder), str(count), query],
                check=True,
                stdout=subprocess.PIPE,
            ).stdout
        )
        for _ in range(3)
    ]
    return sorted(a[0] for a in answers)[1], min(a[1] for a in answers)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--channels", type=int, default=5)
    parser.add_argument("--year-every", type=int, default=60, metavar="SECONDS")
    parser.add_argument("--ask", nargs=4, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.ask:
        which, folder, count, query = options.ask
        ask(which, Path(folder), int(count), query)
        return
    count = options.channels

    print("bytes written per reading: handed to the file system / to the disk; readings a second")
    for label, samples, hours in (("5 s, 40 a commit", 1, 4), ("60 s, 480 a commit", 12, 12)):
        for kind in (Ours, Plain):
            handed, to_disk, speed = wear(kind, samples, hours)
            print(f"  {kind.name:18s} {label:20s} {handed:6.0f} / {to_disk:6.0f} B  {speed:8.0f}/s")

    with tempfile.TemporaryDirectory(dir=Path.cwd()) as name:
        base = Path(name)
        for part in ("ours", "plain", "victoria"):
            (base / part).mkdir()
        compare(base, count, options.year_every)


def compare(base: Path, count: int, every_s: int) -> None:
    """Load all stores, then print sizes, speed and queries side by side."""
    answers: dict[str, tuple[float, float]] = {}
    ours, number, speed = load(Ours, base / "ours", count, every_s)
    ours.tend(END + 3 * HOUR)
    ours.close()
    print(f"\n{number} readings in commits of {BATCH}, sealing included:")
    _line("Weirwatch", folder_bytes(base / "ours") / number, speed)
    print(f"  longest piece of upkeep {ours.longest * 1000:.0f} ms, all of it {ours.upkeep:.1f} s")
    plain, _, speed = load(Plain, base / "plain", count, every_s)
    plain.close()
    _line("plain SQLite rows", folder_bytes(base / "plain") / number, speed)
    if have_victoria():
        server, _, speed = load(Victoria, base / "victoria", count, every_s)
        server.settle()
        _line("VictoriaMetrics", folder_bytes(base / "victoria") / number, speed)
        server.close()
        server = Victoria(base / "victoria", count)  # its first answers come from a new process
        for query, call in victoria_queries(server, END, count).items():
            first = _timed(call)
            warm = min(_timed(call) for _ in range(WARM_RUNS))
            answers[query] = (first * 1000, warm * 1000)
        server.close()
    influx = influx_beside(base, number, count, every_s)
    print("\nbytes per sealed reading:")
    for part, size in parts_of_ours(base / "ours").items():
        print(f"  {part:20s} {size:5.2f}")
    queries, close = our_queries(base / "ours", END, count)
    close()
    print("\nmilliseconds, cold / warm, and how many times ours:")
    for query in queries:
        one = asked("ours", base / "ours", count, query)
        other = asked("plain", base / "plain", count, query)
        line = f"  {query:24s} {one[0]:7.1f} /{one[1]:6.1f}  plain {_beside(other, one)}"
        if query in answers:
            line += f"  VictoriaMetrics {_beside(answers[query], one)}"
        if query in influx:
            line += f"  InfluxDB 2 {_beside(influx[query], one)}"
        print(line)
    print(f"  file of ours: {(base / 'ours' / FILE_NAME).stat().st_size / 1e6:.1f} MB")


def influx_beside(
    base: Path, number: int, count: int, every_s: int
) -> dict[str, tuple[float, float]]:
    """Load an InfluxDB 2 where there is one; return its first and its best milliseconds."""
    influx: dict[str, tuple[float, float]] = {}
    if not have_influx():
        return influx
    (base / "influx").mkdir()
    peer, _, speed = load(InfluxPeer, base / "influx", count, every_s)
    peer.settle()
    _line("InfluxDB 2", folder_bytes(base / "influx") / number, speed)
    for query, call in far_queries(peer.far, END, count).items():
        first = _timed(call)
        influx[query] = (first * 1000, min(_timed(call) for _ in range(3)) * 1000)
    peer.close()
    return influx


def _beside(other: tuple[float, float], one: tuple[float, float]) -> str:
    times = f"({other[0] / one[0]:.1f}× / {other[1] / one[1]:.1f}×)"
    return f"{other[0]:8.1f} /{other[1]:7.1f} {times}"


def _line(name: str, size: float, speed: float) -> None:
    print(f"  {name:18s} {size:6.2f} B/reading in the file, {speed:9.0f} readings/s")


if __name__ == "__main__":
    main()
