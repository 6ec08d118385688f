"""The store beside plain SQLite rows, VictoriaMetrics and InfluxDB 2: bytes, wear, speed.

    .venv/bin/python tests/bench/store.py                    # 3.1 million readings, some minutes
    .venv/bin/python tests/bench/store.py --channels 40 --folder DIR                # 21 million
    .venv/bin/python tests/bench/store.py --channels 40 --year-every 5              # 27 million

A store whose program is not here is left out. With --folder a store that was loaded stays loaded:
the run may be stopped and begun again. Every store gets the same readings
(tests/support/bench_readings.py): so many channels at 5 s for 30 days, and one for a year. "Cold":
a new process whose files are not in memory; the time runs from opening the file to the answer.
Servers are asked over HTTP; each first answer comes from a new process of theirs, which has opened
its files; the system may have them in memory.
"""

import argparse
import json
import math
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
import psutil
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

from weirwatch.domain.errors import WeirwatchError
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Channel
from weirwatch.store.schema import FILE_NAME

END: Micros = 1_777_636_800 * SECOND  # 2026-05-01T12:00:00Z
BATCH = 10_000
WARM_RUNS = 5
Kind = Any  # a class of support.bench_peers: Kind(folder, channels)


KINDS: dict[str, Kind] = {"ours": Ours, "plain": Plain, "victoria": Victoria, "influx": InfluxPeer}


def here() -> list[str]:
    """Which of them can run on this machine."""
    there = {"victoria": have_victoria, "influx": have_influx}
    return [key for key in KINDS if key not in there or there[key]()]


def written(pid: int | None) -> dict[str, int]:
    """Bytes that a process (None: this one) handed over and that went to the disk."""
    lines = Path(f"/proc/{pid or 'self'}/io").read_text().splitlines()
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
        pid = getattr(store, "pid", None)  # a server's, before it ends
        before, began, count = written(pid), time.perf_counter(), 0
        for batch in batches(hours, 40, samples * 40):
            store.write(batch)
            count += len(batch)
        took = time.perf_counter() - began
        after = written(pid)
        store.close()
        if pid is None:
            after = written(None)
    return (
        (after["wchar"] - before["wchar"]) / count,
        (after["write_bytes"] - before["write_bytes"]) / count,
        count / took,
    )


class Loaded(NamedTuple):
    """What loading took.

    Attributes:
        number: of readings.
        speed: readings a second, of the clock on the wall.
        cpu: microseconds of processor time a reading, a server's own included.
    """

    number: int
    speed: float
    cpu: float


def load(kind: Kind, folder: Path, count: int, every_s: int, days: int) -> tuple[Any, Loaded]:
    """Fill a store; return it, and what that took."""
    store = our_store_with_year(folder, count) if kind is Ours else kind(folder, count)
    number, took, cpu = 0, 0.0, 0.0
    for source in (year_batches(count, every_s), batches(days * 24, count, BATCH)):
        for batch in source:
            began, cpu_began = time.perf_counter(), time.process_time()
            store.write(batch)
            took += time.perf_counter() - began
            cpu += time.process_time() - cpu_began
            number += len(batch)
    if pid := getattr(store, "pid", None):
        times = psutil.Process(pid).cpu_times()
        cpu += times.user + times.system
    return store, Loaded(number, number / took, cpu / number * 1e6)


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


def loaded(key: str, base: Path, count: int, every_s: int, days: int) -> dict[str, Any]:
    """Load a store, unless its folder has it already; return what was measured then."""
    note = base / f"{key}.json"
    if note.exists():
        found: dict[str, Any] = json.loads(note.read_text())
        return found
    folder = base / key
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    store, took = load(KINDS[key], folder, count, every_s, days)
    store.settle()
    store.close()
    measured = {**took._asdict(), "bytes": folder_bytes(folder) / took.number}
    if isinstance(store, Ours):
        measured |= {"longest": store.longest, "upkeep": store.upkeep}
    note.write_text(json.dumps(measured))
    return measured


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--channels", type=int, default=5)
    parser.add_argument("--year-every", type=int, default=60, metavar="SECONDS")
    parser.add_argument("--folder", type=Path, help="keep the stores here, and use what is here")
    parser.add_argument(
        "--load", choices=list(KINDS), help="load this store into --folder, no more"
    )
    parser.add_argument("--days", type=int, default=30, help="of the main channels; to try it")
    parser.add_argument("--no-wear", action="store_true")
    parser.add_argument("--ask", nargs=4, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.ask:
        which, folder, count, query = options.ask
        ask(which, Path(folder), int(count), query)
        return
    size = (options.channels, options.year_every, options.days)
    if options.load:
        loaded(options.load, options.folder.absolute(), *size)
        return
    if not options.no_wear:
        compare_wear()
    if options.folder:
        compare(options.folder.absolute(), *size)
        return
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as name:
        compare(Path(name), *size)


def compare_wear() -> None:
    """Print what each store writes for small commits."""
    print("bytes written per reading: handed to the file system / to the disk; readings a second")
    for label, samples, hours in (("5 s, 40 a commit", 1, 4), ("60 s, 480 a commit", 12, 12)):
        for key in here():
            handed, to_disk, speed = wear(KINDS[key], samples, hours)
            name = KINDS[key].name
            print(f"  {name:18s} {label:20s} {handed:6.0f} / {to_disk:6.0f} B  {speed:8.0f}/s")
            sys.stdout.flush()


def compare(base: Path, count: int, every_s: int, days: int) -> None:
    """Load all stores, then print sizes, speed and queries side by side."""
    keys = here()
    for key in keys:
        found = loaded(key, base, count, every_s, days)
        if key == "ours":
            print(f"\n{found['number']} readings in commits of {BATCH}, sealing included:")
        told = f"{found['bytes']:6.2f} B/reading in the file, {found['speed']:9.0f} readings/s"
        print(f"  {KINDS[key].name:18s} {told}, {found['cpu']:.1f} µs of processor time each")
        if "longest" in found:
            longest, upkeep = found["longest"] * 1000, found["upkeep"]
            print(f"  longest piece of upkeep {longest:.0f} ms, all of it {upkeep:.1f} s")
        sys.stdout.flush()
    print("\nbytes per sealed reading:")
    for part, size in parts_of_ours(base / "ours").items():
        print(f"  {part:20s} {size:5.2f}")
    queries, close = our_queries(base / "ours", END, count)
    close()
    print("\nmilliseconds, cold / warm, and how many times ours:")
    for query in queries:
        one = asked("ours", base / "ours", count, query)
        line = f"  {query:24s} {one[0]:7.1f} /{one[1]:6.1f}"
        for key in keys[1:]:
            if key == "plain":
                other = asked(key, base / key, count, query)
            else:
                other = asked_server(key, base / key, count, query)
            line += f"  {KINDS[key].name} {_beside(other, one)}"
        print(line)
        sys.stdout.flush()
    print(f"  file of ours: {(base / 'ours' / FILE_NAME).stat().st_size / 1e6:.1f} MB")


def asked_server(key: str, folder: Path, count: int, query: str) -> tuple[float, float]:
    """First and best milliseconds of a new server process; infinite where it gives up."""
    server = KINDS[key](folder, count)
    if isinstance(server, Victoria):
        call = victoria_queries(server, END, count)[query]
    else:
        call = far_queries(server.far, END, count)[query]
    try:
        return _timed(call) * 1000, min(_timed(call) for _ in range(3)) * 1000
    except WeirwatchError:
        return math.inf, math.inf
    finally:
        server.close()


def _beside(other: tuple[float, float], one: tuple[float, float]) -> str:
    times = f"({other[0] / one[0]:.1f}× / {other[1] / one[1]:.1f}×)"
    return f"{other[0]:8.1f} /{other[1]:7.1f} {times}"


if __name__ == "__main__":
    main()
