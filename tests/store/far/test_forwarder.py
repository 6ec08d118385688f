"""Nothing lost and nothing twice on the way to a server: power cuts, refusals, retention."""

import sqlite3
import threading
from collections.abc import Iterator, Mapping, Sequence
from http.server import BaseHTTPRequestHandler
from pathlib import Path

import pytest
from support.contract_world import FarWorld
from support.far_servers import Victoria
from support.http_answers import serving
from support.stored import LEVEL, T0, readings

from weirwatch.domain.errors import PermanentError, TransientError
from weirwatch.domain.reading import Reading
from weirwatch.store.block import HOUR
from weirwatch.store.connection import open_writer
from weirwatch.store.far.asking import Login, ask, read_login
from weirwatch.store.far.forwarder import RETRY_LONGEST_S, SETTLED_AFTER
from weirwatch.store.far.victoria import VictoriaHistory


class Fussy(VictoriaHistory):
    """A server that refuses a whole lot for one reading in it, and takes what it forgets."""

    refused = -77.0
    forgotten = -88.0

    def write(self, readings: Sequence[Reading], units: Mapping[str, str]) -> None:
        if any(reading.value == self.refused for reading in readings):
            super().write([r for r in readings if r.value > self.refused][:3], units)
            raise PermanentError("400: partial write: points beyond retention policy dropped=1")
        super().write([r for r in readings if r.value != self.forgotten], units)


class Absent:
    """In the place of a server's process, which there is none of."""

    url = "http://127.0.0.1:9"

    def start(self) -> None:
        """Nothing to start."""

    stop = kill = settle = close = start


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Victoria]:
    server = Victoria(tmp_path / "server")
    yield server
    server.kill()


@pytest.fixture
def world(tmp_path: Path, server: Victoria) -> Iterator[FarWorld]:
    data = tmp_path / "data"
    data.mkdir()
    world = FarWorld(data, server, lambda: Fussy(server.url, "", Login()))
    yield world
    world.end()


def values(world: FarWorld) -> list[float]:
    return [r.value for r in world.archive.readings(LEVEL.id, 0, 2**60, None, 10**6)]


def on_server(world: FarWorld) -> list[float]:
    world.server.settle()
    return [r.value for r in world.far.readings(LEVEL.id, 0, 2**60, 10**6)]


@pytest.mark.slow
def test_what_a_server_forgets_in_a_power_cut_is_sent_again(
    world: FarWorld, server: Victoria
) -> None:
    rows: list[tuple[int, int, float, int, str]] = []
    for attempt in range(10):  # it may have saved in time: then once more
        more = readings(
            world.numbers[LEVEL.id], [float(n) for n in range(100)], T0 + attempt * HOUR
        )
        rows += more
        world.commit(more)
        world.turn()
        server.kill()
        server.start()
        if len(on_server(world)) < len(rows):
            break
    assert len(on_server(world)) < len(rows), "the server forgot nothing: this shows nothing"
    world.settle()
    assert world.forwarder.as_json()["resent"] > 0
    assert on_server(world) == [row[2] for row in rows]
    assert values(world) == [row[2] for row in rows]


def test_one_bad_reading_never_blocks_the_rest(world: FarWorld) -> None:
    level = world.numbers[LEVEL.id]
    numbers = [float(n) for n in range(40)]
    numbers[17] = Fussy.refused
    world.commit(readings(level, numbers))
    world.commit(readings(level, [99.0], T0 + HOUR))
    world.settle()
    kept = [number for number in numbers if number >= 0] + [99.0]
    assert on_server(world) == kept
    assert world.forwarder.as_json()["refused"] >= 1
    assert world.archive.quarantine_counts()["history-refused"] >= 1
    item = world.archive.quarantined(1)[0]
    assert item.topic == LEVEL.id
    assert item.payload == b"2026-05-01T12:01:25Z -77.0 good"


@pytest.mark.slow
def test_what_it_takes_and_does_not_keep_is_put_aside_after_some_tries(world: FarWorld) -> None:
    world.commit(readings(world.numbers[LEVEL.id], [1.0, Fussy.forgotten, 2.0]))
    world.settle()
    assert on_server(world) == [1.0, 2.0]
    assert world.forwarder.as_json()["resent"] == 3
    item = world.archive.quarantined(1)[0]
    assert "took it 3 times and does not have it" in item.reason


def test_a_stop_between_sending_and_noting_doubles_nothing(
    world: FarWorld, monkeypatch: pytest.MonkeyPatch
) -> None:
    world.commit(readings(world.numbers[LEVEL.id], [1.0, 2.0]))

    def cut(*_: object) -> None:
        raise TransientError("the power is cut here")

    with monkeypatch.context() as patch:
        patch.setattr("weirwatch.store.far.forwarder.note_spool", cut)
        assert world.turn() == 1.0
    world.server.settle()
    world.restart()
    world.settle()
    series = world.archive.series(LEVEL.id, T0, T0 + HOUR, 1)
    assert [bucket.count for bucket in series] == [2]


def test_it_waits_longer_each_time_and_says_what_is_wrong(world: FarWorld) -> None:
    world.commit(readings(world.numbers[LEVEL.id], [1.0]))
    world.server.stop()
    waits = [world.turn() for _ in range(9)]
    assert waits == [1, 2, 4, 8, 16, 32, RETRY_LONGEST_S, RETRY_LONGEST_S, RETRY_LONGEST_S]
    told = world.forwarder.as_json()
    assert told["behind"] == 1
    assert "does not answer" in told["state"]
    with pytest.raises(TransientError, match="does not answer"):
        world.far.readings(LEVEL.id, 0, 1, 1)
    world.server.start()
    assert world.turn() == 1.0
    assert world.forwarder.as_json()["state"] == ""
    world.pass_time(3 * HOUR + SETTLED_AFTER)
    assert world.turn() == 1.0
    assert on_server(world) == [1.0]


# --- a server that speaks another language -------------------------------------------------


class Babbling(BaseHTTPRequestHandler):
    """Takes what it is told, and answers questions with something that is no answer."""

    answer = b""

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers["Content-Length"]))
        self._say(b"")

    def do_GET(self) -> None:
        self._say(self.answer)

    def _say(self, what: bytes) -> None:
        self.send_response(200)
        self.end_headers()
        self.wfile.write(what)

    def log_message(self, *_: object) -> None:
        """Be quiet."""


@pytest.mark.parametrize(
    "answer",
    [b"[]", b"{}", b"7", b'{"metric":{},"timestamps":[1],"values":[null]}', b'{"metric":[]}'],
)
def test_an_answer_that_is_none_does_not_end_the_thread(
    tmp_path: Path, answer: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Babbling, "answer", answer)
    with serving(Babbling) as place:
        world = FarWorld(tmp_path, Absent(), lambda: VictoriaHistory(place, "", Login()))
        world.commit(readings(world.numbers[LEVEL.id], [1.0]))
        assert [world.turn() for _ in range(3)] == [1, 2, 4]
        assert "what it has not taken waits in the file" in world.forwarder.as_json()["state"]
        world.end()


def test_a_file_that_cannot_be_opened_yet_is_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = threading.Event()
    troubles: list[Exception] = [TransientError("the file cannot be opened: too many are open")]

    def opening(path: Path) -> sqlite3.Connection:
        if troubles:
            raise troubles.pop()
        opened.set()
        return open_writer(path)

    world = FarWorld(tmp_path, Absent(), lambda: VictoriaHistory(Absent.url, "", Login()))
    monkeypatch.setattr("weirwatch.store.far.forwarder.open_writer", opening)
    thread = threading.Thread(target=world.forwarder.run)
    thread.start()
    assert opened.wait(60)
    world.forwarder.stop()
    thread.join(60)
    assert not thread.is_alive()
    assert world.forwarder.as_json()["failures"] == 1
    world.end()


# --- one request ---------------------------------------------------------------------------


class Answering(BaseHTTPRequestHandler):
    code = 204
    seen: Mapping[str, str] = {}

    def do_POST(self) -> None:
        type(self).seen = dict(self.headers)
        self.rfile.read(int(self.headers["Content-Length"]))
        self.send_response(self.code)
        self.end_headers()
        self.wfile.write(b"" if self.code == 204 else b"it is said why")

    def log_message(self, *_: object) -> None:
        """Be quiet."""


@pytest.fixture
def place() -> Iterator[str]:
    with serving(Answering) as url:
        yield url


@pytest.mark.parametrize(
    ("code", "kind"),
    [(400, PermanentError), (422, PermanentError), (401, TransientError), (503, TransientError)],
)
def test_the_answer_decides_whether_it_is_tried_again(
    place: str, code: int, kind: type[Exception], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Answering, "code", code)
    with pytest.raises(kind, match=f"answers {code}: it is said why"):
        ask(f"{place}/write", {}, Login(), b"x")


def test_who_we_are_stands_in_a_file(place: str, tmp_path: Path) -> None:
    file = tmp_path / "login.toml"
    file.write_text('token = "abc"')
    ask(f"{place}/write", {"precision": "ms"}, read_login(file), b"x" * 10_000)
    assert Answering.seen["Authorization"] == "Bearer abc"
    assert int(Answering.seen["Content-Length"]) < 200
    file.write_text('username = "a"\npassword = "b"')
    ask(f"{place}/write", {}, read_login(file), b"x")
    assert Answering.seen["Authorization"] == "Basic YTpi"  # RFC 7617
    for text, cure in (("x", "not TOML"), ("token = 1", "as texts"), ('token=""', "as texts")):
        file.write_text(text)
        with pytest.raises(Exception, match=cure):
            read_login(file)
    assert read_login(None) == Login()
