"""The stores that the benchmark compares: ours, plain SQLite rows, VictoriaMetrics, InfluxDB."""

import json
import shutil
import sqlite3
import subprocess
import time
import urllib.request
from collections.abc import Callable, Sequence
from contextlib import closing, suppress
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import urlencode

from support.bench_readings import HOUR, channels
from support.far_servers import BUCKET, ORG, TOKEN, Influx, influx_program

from weirwatch.clock import SystemClock
from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Reading
from weirwatch.ports import Group
from weirwatch.store import reserve
from weirwatch.store.far.asking import Login
from weirwatch.store.far.history import FarHistory
from weirwatch.store.far.influx import InfluxHistory
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.series import grid_of
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

Row = tuple[Micros, int, float]  # time, number of the channel from 0, value
YEAR = "harbour-hall/year/temperature"


class Peer(Protocol):
    """One store on one folder, open for writing."""

    name: str

    def write(self, rows: Sequence[Row]) -> None:
        """Make one commit durable, and do what is due besides."""
        ...

    def settle(self) -> None:
        """Do what is still to be done for what was written."""
        ...

    def close(self) -> None:
        """Finish and close."""
        ...


class Ours:
    name = "Weirwatch"

    def __init__(self, folder: Path, count: int) -> None:
        self._journal = SqliteJournal(folder / FILE_NAME, clock=SystemClock())
        self._numbers = list(self._journal.adopt(channels(count), ()).values())
        self.longest = 0.0
        self.upkeep = 0.0
        self._last: Micros = 0

    def write(self, rows: Sequence[Row]) -> None:
        self._last = rows[-1][0]
        numbers = self._numbers
        some = [(ts, numbers[place], value, 0, "") for ts, place, value in rows]
        self._journal.commit(Group(readings=some, committed_at=rows[-1][0]))
        self.tend(rows[-1][0])

    def tend(self, now: Micros) -> None:
        more = True
        while more:
            began = time.perf_counter()
            more = self._journal.maintain(now, 0.0)
            took = time.perf_counter() - began
            self.longest = max(self.longest, took)
            self.upkeep += took

    def settle(self) -> None:
        self.tend(self._last + 3 * HOUR)

    def close(self) -> None:
        self._journal.close()


class Plain:
    """One row a reading, in the order that a chart asks for."""

    name = "plain SQLite rows"

    def __init__(self, folder: Path, count: int) -> None:
        del count
        self._connection = plain_open(folder)
        self._connection.execute(
            "CREATE TABLE IF NOT EXISTS reading (channel_id INTEGER, ts INTEGER, value REAL,"
            " quality INTEGER, PRIMARY KEY (channel_id, ts)) WITHOUT ROWID"
        )

    def write(self, rows: Sequence[Row]) -> None:
        self._connection.execute("BEGIN IMMEDIATE")
        self._connection.executemany(
            "INSERT INTO reading VALUES (?2, ?1, ?3, 0) ON CONFLICT DO NOTHING", rows
        )
        self._connection.execute("COMMIT")

    def settle(self) -> None:
        """Nothing is left to do."""

    def close(self) -> None:
        self._connection.close()


def plain_open(folder: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(folder / "plain.sqlite3", isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    return connection


class Victoria:
    """The single-node server with its own defaults: it flushes every few seconds."""

    name = "VictoriaMetrics"

    def __init__(self, folder: Path, count: int) -> None:
        self._count = count
        self.process = subprocess.Popen(
            [
                "/usr/bin/victoria-metrics",
                f"-storageDataPath={folder / 'vm'}",
                "-httpListenAddr=127.0.0.1:18428",
                "-retentionPeriod=10y",
                "-search.maxPointsPerTimeseries=1000000",
                "-search.latencyOffset=0s",
                "-loggerLevel=ERROR",
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for _ in range(100):
            with suppress(OSError):
                self.ask("/health")
                break
            time.sleep(0.1)
        else:
            raise RuntimeError("VictoriaMetrics does not answer")
        self.pid = self.process.pid

    def ask(self, path: str, data: bytes | None = None, **query: object) -> bytes:
        url = f"http://127.0.0.1:18428{path}" + (f"?{urlencode(query)}" if query else "")
        with urllib.request.urlopen(url, data=data, timeout=120) as answer:
            content: bytes = answer.read()
        return content

    def write(self, rows: Sequence[Row]) -> None:
        by_place: dict[int, tuple[list[int], list[float]]] = {}
        for ts, place, value in rows:
            times, values = by_place.setdefault(place, ([], []))
            times.append(ts // 1000)
            values.append(value)
        lines = [
            json.dumps(
                {
                    "metric": {"__name__": "reading", "channel": str(place)},
                    "values": values,
                    "timestamps": times,
                }
            )
            for place, (times, values) in by_place.items()
        ]
        self.ask("/api/v1/import", "\n".join(lines).encode())

    def settle(self) -> None:
        """Let it write out and merge all it has."""
        self.ask("/internal/force_flush")
        self.ask("/internal/force_merge")
        time.sleep(5)

    def close(self) -> None:
        self.process.terminate()
        self.process.wait(60)


class InfluxPeer:
    """InfluxDB 2 through our own adapter; it compacts soon, else it does so hours later."""

    name = "InfluxDB 2"

    def __init__(self, folder: Path, count: int) -> None:
        del count
        self._folder = folder
        soon = (
            "--storage-cache-snapshot-write-cold-duration=5s",
            "--storage-compact-full-write-cold-duration=10s",
        )
        self._server = Influx(folder / "influx", soon)
        self.pid = self._server.pid
        self.far = InfluxHistory(self._server.url, ORG, BUCKET, Login(token=TOKEN))

    def write(self, rows: Sequence[Row]) -> None:
        found = [Reading(f"c{place}", ts, value) for ts, place, value in rows]
        self.far.write(found, {})

    def settle(self) -> None:
        """Wait until it has written out and compacted what it has: a minute without change."""
        size, since, began = -1, time.monotonic(), time.monotonic()
        while time.monotonic() - since < 60 and time.monotonic() - began < 600:
            time.sleep(2)
            now = folder_bytes(self._folder)
            if now != size:
                size, since = now, time.monotonic()

    def close(self) -> None:
        self.far.close()
        self._server.stop()


def have_influx() -> bool:
    return bool(influx_program())


def far_queries(far: FarHistory, end: Micros, count: int) -> dict[str, Callable[[], Any]]:
    """The questions as our own adapter asks them."""
    one, year = f"c{2 % count}", f"c{count}"

    def buckets(channel: str, hours: int, points: int) -> list[Any]:
        grid = grid_of(end - hours * HOUR, end, points, far.resolution)
        return far.pieces(channel, grid, 0, -(-(end - grid.origin) // grid.width))

    def newest() -> list[Any]:
        low = end - 2 * HOUR
        return [far.readings(f"c{n}", low, end, 10**6)[-1:] for n in range(count + 1)]

    return {
        "newest of all": newest,
        "24 h raw": lambda: far.readings(one, end - 24 * HOUR, end, 10**6),
        "30 d in 1000 buckets": lambda: buckets(one, 720, 1000),
        "1 year hourly": lambda: buckets(year, 8760, 8760),
        "1 year in 1000 buckets": lambda: buckets(year, 8760, 1000),
    }


def have_victoria() -> bool:
    return shutil.which("victoria-metrics") is not None


Queries = dict[str, Callable[[], Any]]


def our_queries(folder: Path, end: Micros, count: int) -> tuple[Queries, Callable[[], None]]:
    archive = SqliteArchive(folder / FILE_NAME)
    one = channels(count)[2 % count].id
    return (
        {
            "newest of all": archive.newest,
            "24 h raw": lambda: archive.readings(one, end - 24 * HOUR, end, None, 10**6),
            "30 d in 1000 buckets": lambda: archive.series(one, end - 720 * HOUR, end, 1000),
            "1 year hourly": lambda: archive.series(YEAR, end - 8760 * HOUR, end, 8760),
            "1 year in 1000 buckets": lambda: archive.series(YEAR, end - 8760 * HOUR, end, 1000),
        },
        archive.close,
    )


def plain_queries(folder: Path, end: Micros, count: int) -> tuple[Queries, Callable[[], None]]:
    connection = plain_open(folder)
    one, year = 2 % count, count
    series = (
        "SELECT (ts - ?2) / ?4 AS place, min(value), avg(value), max(value), count(*) FROM reading"
        " WHERE channel_id = ?1 AND ts >= ?2 AND ts < ?3 AND quality < 2 GROUP BY place"
    )

    def buckets(channel: int, hours: int, points: int) -> list[Any]:
        start = end - hours * HOUR
        return connection.execute(series, (channel, start, end, hours * HOUR // points)).fetchall()

    newest = "SELECT * FROM reading WHERE channel_id = ? ORDER BY ts DESC LIMIT 1"
    raw = "SELECT ts, value, quality FROM reading WHERE channel_id = ? AND ts >= ? AND ts < ?"
    return (
        {
            "newest of all": lambda: [
                connection.execute(newest, (place,)).fetchone() for place in range(count + 1)
            ],
            "24 h raw": lambda: connection.execute(raw, (one, end - 24 * HOUR, end)).fetchall(),
            "30 d in 1000 buckets": lambda: buckets(one, 720, 1000),
            "1 year hourly": lambda: buckets(year, 8760, 8760),
            "1 year in 1000 buckets": lambda: buckets(year, 8760, 1000),
        },
        connection.close,
    )


def victoria_queries(server: Victoria, end: Micros, count: int) -> Queries:
    one, year, now = str(2 % count), str(count), end // 1_000_000

    def buckets(channel: str, hours: int, points: int) -> int:
        step = hours * 3600 // points
        name = f'reading{{channel="{channel}"}}'
        return sum(
            len(
                server.ask(
                    "/api/v1/query_range",
                    query=f"{kind}_over_time({name}[{step}s])",
                    start=now - hours * 3600 + step,
                    end=now,
                    step=step,
                    nocache=1,
                )
            )
            for kind in ("min", "avg", "max")
        )

    return {
        "newest of all": lambda: server.ask(
            "/api/v1/query", query="last_over_time(reading[2h])", time=now, nocache=1
        ),
        "24 h raw": lambda: server.ask(
            f"/api/v1/export?match[]=reading%7Bchannel%3D%22{one}%22%7D"
            f"&start={now - 86400}&end={now}"
        ),
        "30 d in 1000 buckets": lambda: buckets(one, 720, 1000),
        "1 year hourly": lambda: buckets(year, 8760, 8760),
        "1 year in 1000 buckets": lambda: buckets(year, 8760, 1000),
    }


def folder_bytes(folder: Path) -> int:
    found = (part for part in folder.rglob("*") if part.is_file())
    return sum(part.stat().st_size for part in found if part.name != reserve.FILE_NAME)


def parts_of_ours(folder: Path) -> dict[str, float]:
    """Bytes per sealed reading: what is packed, what lies around it, and the blocks' rows."""
    with closing(sqlite3.connect(folder / FILE_NAME)) as connection:
        sealed = connection.execute("SELECT sum(n) FROM block").fetchone()[0]
        ts, value, quality = connection.execute(
            "SELECT sum(length(ts)), sum(length(value)), sum(coalesce(length(quality), 0))"
            " FROM block_data"
        ).fetchone()
        pages = dict(
            connection.execute("SELECT name, sum(pgsize) FROM dbstat GROUP BY name").fetchall()
        )
    around = pages["block_data"] - ts - value - quality
    parts = {"times": ts, "values": value, "quality": quality, "pages around them": around}
    parts["index and summaries"] = pages["block"]
    return {name: size / sealed for name, size in parts.items()} | {
        "sum": (pages["block_data"] + pages["block"]) / sealed
    }
