"""What a server goes through in years: no quiet minute, clocks, copies, days away."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from http.server import BaseHTTPRequestHandler
from pathlib import Path
from typing import ClassVar

import pytest
from support.contract_world import FarWorld
from support.far_servers import Victoria
from support.http_answers import serving
from support.stored import LEVEL, T0, readings, tend

from weirwatch.domain.errors import PermanentError, TransientError
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Reading
from weirwatch.ports import Group
from weirwatch.store import hot
from weirwatch.store.block import HOUR
from weirwatch.store.connection import open_reader, open_writer
from weirwatch.store.far import forwarder
from weirwatch.store.far.archive import FarArchive
from weirwatch.store.far.asking import Login, ask
from weirwatch.store.far.forwarder import MISSING_REST, SETTLED_AFTER
from weirwatch.store.far.spool import note_spool, spool_of
from weirwatch.store.far.victoria import VictoriaHistory
from weirwatch.store.series import Grid, Piece
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

STEP: Micros = 30 * SECOND  # never a minute without a reading
HOURLY = HOUR // STEP


class Remembering:
    """A `FarHistory` in memory that keeps what it is told twice twice, as a server may."""

    name = "Remembering"
    resolution: Micros = 1000

    def __init__(self) -> None:
        self.kept: list[Reading] = []
        self.forgets = False

    def write(self, readings: Sequence[Reading], units: Mapping[str, str]) -> None:
        del units
        if not self.forgets:
            self.kept += readings

    def settle(self) -> None:
        """Everything shows at once."""

    def readings(self, channel: str, start: Micros, end: Micros, limit: int) -> list[Reading]:
        by_time = {r.time: r for r in self.kept if r.channel == channel and start <= r.time < end}
        return [by_time[time] for time in sorted(by_time)][:limit]

    def pieces(self, channel: str, grid: Grid, first: int, end: int) -> list[Piece]:
        raise NotImplementedError

    def close(self) -> None:
        """Nothing is held."""

    def values(self) -> list[float]:
        return [r.value for r in sorted(self.kept, key=lambda reading: reading.time)]


class NoProcess:
    """In the place of a server's process."""

    url = ""

    def start(self) -> None:
        """Nothing to start."""

    stop = settle = close = start


@pytest.fixture
def far() -> Remembering:
    return Remembering()


@pytest.fixture
def world(tmp_path: Path, far: Remembering) -> Iterator[FarWorld]:
    world = FarWorld(tmp_path, NoProcess(), lambda: far)
    yield world
    world.end()


def live(world: FarWorld, seconds: int, start: int = 0) -> None:
    """A reading twice a minute, and the forwarder beside it."""
    for n in range(seconds // 30):
        row = (world.clock.utc, world.numbers[LEVEL.id], float(start + n), 0, "")
        world.commit([row])
        world.turn()
        world.pass_time(STEP)
    tend(world.journal, world.clock.utc)


def in_file(world: FarWorld) -> list[float]:
    with closing(open_reader(world.path)) as connection:
        rows = hot.unpack(hot.between(connection, -(2**62), 2**62), world.journal._damage)
    return sorted(rows.value.tolist())


def test_in_ordinary_life_without_a_quiet_minute_hours_leave_the_file(
    world: FarWorld, far: Remembering
) -> None:
    live(world, 4 * 3600)
    assert in_file(world) == [float(n) for n in range(2 * HOURLY, 4 * HOURLY)]
    assert far.values() == [float(n) for n in range(4 * HOURLY)]


def test_what_the_server_lost_is_sent_again_in_ordinary_life(
    world: FarWorld, far: Remembering
) -> None:
    live(world, 1800)
    far.kept = [r for r in far.kept if r.value != 33.0]
    live(world, 3 * 3600, start=60)
    assert far.values() == [float(n) for n in range(60 + 3 * HOURLY)]


def test_a_clock_that_went_back_confirms_nothing_unseen(world: FarWorld, far: Remembering) -> None:
    level = world.numbers[LEVEL.id]
    right = world.clock.utc
    world.clock.utc += 400 * 24 * HOUR  # until somebody sets it right
    world.commit(readings(level, [1.0], right))
    world.settle()
    world.clock.utc = right + 4 * HOUR
    world.commit(readings(level, [2.0], world.clock.utc))
    world.turn()
    far.kept = [r for r in far.kept if r.value != 2.0]  # a power cut
    for _ in range(4):
        world.pass_time(SETTLED_AFTER)
        world.turn()
        tend(world.journal, world.clock.utc)
    assert far.values() == [1.0, 2.0]
    assert [r.value for r in world.archive.readings(LEVEL.id, 0, 2**60, None, 9)] == [1.0, 2.0]


def test_a_server_that_shows_nothing_costs_nothing(world: FarWorld, far: Remembering) -> None:
    far.forgets = True
    live(world, 1200)
    world.pass_time(3 * HOUR)
    for _ in range(12):
        world.pass_time(SETTLED_AFTER)
        world.turn()
    assert world.archive.quarantine_counts() == {}
    assert "shows none of them" in world.forwarder.as_json()["state"]
    far.forgets = False
    world.pass_time(MISSING_REST)
    world.settle()
    assert far.values() == [float(n) for n in range(40)]
    assert world.forwarder.as_json()["state"] == ""


def test_how_much_waits_is_all_that_waits(
    world: FarWorld, far: Remembering, monkeypatch: pytest.MonkeyPatch
) -> None:
    def away(*_: object) -> None:
        raise TransientError("it is away")

    monkeypatch.setattr(forwarder, "MOST_COMMITS", 5)
    monkeypatch.setattr(far, "write", away)
    live(world, 600)
    assert world.forwarder.as_json()["behind"] == 20


def test_what_is_refused_is_put_aside_once(
    world: FarWorld, far: Remembering, monkeypatch: pytest.MonkeyPatch
) -> None:
    level = world.numbers[LEVEL.id]
    write = far.write

    def fussy(some: Sequence[Reading], units: Mapping[str, str]) -> None:
        if any(reading.value == 3.0 for reading in some):
            raise PermanentError("400: partial write")
        write(some, units)

    monkeypatch.setattr(far, "write", fussy)
    world.commit(readings(level, [float(n) for n in range(8)]))
    world.settle()
    assert world.archive.quarantine_counts() == {"history-refused": 1}
    assert far.values() == [0.0, 1.0, 2.0, 4.0, 5.0, 6.0, 7.0]


def test_two_that_are_one_to_the_server_are_sent_once(world: FarWorld, far: Remembering) -> None:
    level = world.numbers[LEVEL.id]
    world.commit([(T0 + n, level, float(n), 0, "") for n in (1, 2, 999, 1000)])
    world.settle()
    assert far.values() == [1.0, 1000.0]
    assert in_file(world) == []


# --- after another history ------------------------------------------------------------------


def as_it_was_in_the_file(world: FarWorld, rows: int) -> list[Reading]:
    """Fill the file as a service without a server; hours that are over are sealed."""
    world.journal.close()
    world.journal = SqliteJournal(world.path)
    world.journal.adopt((LEVEL,), ())
    for n in range(rows):
        row = (world.clock.utc, world.numbers[LEVEL.id], float(n), 0, "")
        world.journal.commit(Group(readings=[row], committed_at=world.clock.utc))
        world.pass_time(STEP)
    tend(world.journal, world.clock.utc)
    with closing(SqliteArchive(world.path)) as archive:
        return list(archive.readings(LEVEL.id, 0, 2**60, None, 10**6))


def test_a_late_reading_for_a_sealed_hour_reaches_the_server(
    world: FarWorld, far: Remembering
) -> None:
    old = as_it_was_in_the_file(world, 3 * HOURLY)
    world.restart()
    far.write(old, {})  # `weirwatch history copy`
    late = (T0 + 2 * SECOND, world.numbers[LEVEL.id], -1.0, 0, "")
    same = (old[0].time, world.numbers[LEVEL.id], -2.0, 0, "")
    assert world.commit([late, same]) == 1
    world.settle()
    assert sorted(far.values()) == [-1.0, *(float(n) for n in range(3 * HOURLY))]
    past = [Reading(LEVEL.id, T0 + 3 * SECOND, -3.0)]
    assert world.journal.take_in(past, world.clock.utc) == 0
    world.settle()
    assert -3.0 in far.values()


def test_what_a_copy_brought_is_not_sent_once_more(
    world: FarWorld, far: Remembering, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(forwarder, "MOST_COMMITS", 50)
    old = as_it_was_in_the_file(world, 3 * HOURLY)
    far.write(old, {})  # `weirwatch history copy` while the service stands
    world.restart()
    world.settle()
    assert far.values() == [float(n) for n in range(3 * HOURLY)]


def test_a_restored_copy_doubles_nothing_on_a_server_that_is_ahead(
    world: FarWorld, far: Remembering, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(forwarder, "MOST_COMMITS", 10)
    live(world, 4 * 3600)
    world.turn()
    world.restart()  # the copy was made while the server had been away
    with closing(open_writer(world.path)) as connection:
        spool = spool_of(connection)
        old = spool._replace(sent_upto=spool.sent_upto - 150, confirmed_upto=0)
        note_spool(connection, old)
    world.settle()
    while world.turn() == 0.0:
        pass
    assert far.values() == [float(n) for n in range(4 * HOURLY)]


def test_a_backlog_is_looked_at_in_portions(
    world: FarWorld, far: Remembering, monkeypatch: pytest.MonkeyPatch
) -> None:
    most = 0
    told = world.forwarder._told

    def watched(connection: object, groups: Sequence[hot.Group]) -> object:
        nonlocal most
        found = told(connection, groups)  # type: ignore[arg-type]
        most = max(most, len(found[0]))
        return found

    monkeypatch.setattr(world.forwarder, "_told", watched)
    monkeypatch.setattr(forwarder, "MOST_BYTES", 20_000)
    level = world.numbers[LEVEL.id]
    for n in range(40):
        world.commit(readings(level, [float(n)] * 500, T0 + n * 500 * STEP))
    world.settle()
    world.pass_time(200 * HOUR)
    world.settle()
    assert len(far.kept) == 40 * 500
    assert in_file(world) == []
    assert 500 <= most <= 2000


# --- wrong addresses ------------------------------------------------------------------------


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Victoria]:
    server = Victoria(tmp_path / "server")
    yield server
    server.kill()


def test_an_address_where_nothing_can_be_written_is_no_readings_fault(
    tmp_path: Path, server: Victoria
) -> None:
    (tmp_path / "data").mkdir()
    wrong = f"{server.url}/insert/0/influx"
    world = FarWorld(tmp_path / "data", server, lambda: VictoriaHistory(wrong, server.url, Login()))
    world.commit(readings(world.numbers[LEVEL.id], [1.0, 2.0]))
    assert world.turn() == 1.0
    told = world.forwarder.as_json()
    assert told["refused"] == 0
    assert "correct [history] url" in told["state"]
    assert in_file(world) == [1.0, 2.0]
    world.end()


class Elsewhere(BaseHTTPRequestHandler):
    """Sends everybody to another address, as in front of an encrypted one; keeps what comes."""

    seen: ClassVar[list[str]] = []

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers["Content-Length"]))
        self._answer()

    def do_GET(self) -> None:
        self._answer()

    def _answer(self) -> None:
        self.seen.append(f"{self.command} {self.path}")
        self.send_response(301 if not self.path.startswith("/there") else 204)
        self.send_header("Location", f"http://{self.headers['Host']}/there{self.path}")
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Be quiet."""


class Odd(BaseHTTPRequestHandler):
    """Answers what is asked with JSON that is no answer."""

    def do_GET(self) -> None:
        self.send_response(200)
        self.end_headers()
        self.wfile.write(b'{"status":"success"}')

    def log_message(self, *_: object) -> None:
        """Be quiet."""


@pytest.fixture(params=[Elsewhere])
def place(request: pytest.FixtureRequest) -> Iterator[str]:
    with serving(request.param) as url:
        yield url


def test_what_is_written_is_not_sent_elsewhere(place: str) -> None:
    with pytest.raises(TransientError, match=r"answers 301: go to .*/there/write; wr"):
        ask(f"{place}/write", {}, Login(token="secret"), b"x")
    assert Elsewhere.seen == ["POST /write"]


@pytest.mark.parametrize("place", [Odd], indirect=True)
def test_an_answer_that_is_none_is_an_error_of_ours(tmp_path: Path, place: str) -> None:
    far = VictoriaHistory(place, "", Login())
    world = FarWorld(tmp_path, NoProcess(), lambda: far)
    world.commit(readings(world.numbers[LEVEL.id], [1.0]))
    with closing(open_writer(world.path)) as connection:
        note_spool(connection, spool_of(connection)._replace(confirmed_end=T0 + HOUR))
    archive = FarArchive(world.path, far)
    with pytest.raises(TransientError, match="none of VictoriaMetrics"):
        archive.readings(LEVEL.id, 0, 2**60, None, 9)
    with pytest.raises(TransientError, match="none of VictoriaMetrics"):
        archive.series_of([LEVEL.id], T0 - 48 * HOUR, T0 + HOUR, 9)
    archive.close()
    world.end()


def test_a_mean_over_time_of_what_only_the_server_knows(tmp_path: Path, server: Victoria) -> None:
    """`weirwatch history copy` from another machine's folder: the file never had those readings."""
    (tmp_path / "data").mkdir()
    far = VictoriaHistory(server.url, "", Login())
    world = FarWorld(tmp_path / "data", server, lambda: far)
    old = [Reading(LEVEL.id, T0 - 48 * HOUR + n * STEP, float(n % 2)) for n in range(240)]
    far.write(old, {LEVEL.id: "mm"})
    world.commit(readings(world.numbers[LEVEL.id], [5.0]))
    world.settle()
    found = world.archive.series_of([LEVEL.id], T0 - 48 * HOUR, T0 + HOUR, 49, weighted=True)
    assert [b.count for b in found[LEVEL.id]] == [120, 120, 1]
    means = [b.time_mean for b in found[LEVEL.id]]
    assert None not in means
    assert means[0] == pytest.approx(0.5)
    (all_of_it,) = world.archive.series_of([LEVEL.id], -(2**60), 2**60, 1, weighted=True)[LEVEL.id]
    assert all_of_it.count == 241
    assert all_of_it.time_mean is not None
    world.end()
