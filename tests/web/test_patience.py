"""Who dribbles is cut off; who asks whole questions, streams or holds a live connection is not."""

import contextlib
import socket
import time
from http.client import HTTPConnection

import pytest
from fastapi import FastAPI
from starlette.types import Receive, Scope, Send
from support.web_harbour import HIGH
from websockets.sync.client import connect

from weirwatch.web import guard
from weirwatch.web.patience import PatientProtocol

WHOLE = b"GET /api/v1/alive HTTP/1.1\r\nHost: localhost\r\n\r\n"


PATIENCE_S = 0.5  # with who does not go on; LONGER_S with who must not be slow to begin
LONGER_S = 3.0


@pytest.fixture(autouse=True)
def _hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(PatientProtocol, "patience_s", PATIENCE_S)


@pytest.fixture
def longer(_hurried: None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(PatientProtocol, "patience_s", LONGER_S)


def wait_until_closed(sock: socket.socket) -> None:
    """Wait until the other side closes."""
    sock.settimeout(60)
    with contextlib.suppress(ConnectionResetError):
        while sock.recv(65536):
            pass


@pytest.mark.parametrize("begun", [b"", b"GET /api/v1/alive HTTP/1.1\r\nHost: local"])
def test_a_request_that_does_not_come_is_not_waited_for(port: int, begun: bytes) -> None:
    began = time.monotonic()
    with socket.create_connection(("127.0.0.1", port)) as sock:
        sock.sendall(begun)
        wait_until_closed(sock)
    assert PATIENCE_S * 0.9 < time.monotonic() - began < 30


def test_a_dribble_does_not_help(port: int) -> None:
    with socket.create_connection(("127.0.0.1", port)) as sock:
        began = time.monotonic()
        with contextlib.suppress(OSError):  # closed by the other side
            while time.monotonic() - began < 60:
                sock.sendall(b"G")
                time.sleep(0.1)
        assert time.monotonic() - began < 30


@pytest.mark.usefixtures("longer")
def test_a_second_request_that_is_only_begun_is_not_waited_for(port: int) -> None:
    with socket.create_connection(("127.0.0.1", port)) as sock:
        sock.sendall(WHOLE)
        assert sock.recv(65536).startswith(b"HTTP/1.1 200")
        began = time.monotonic()
        sock.sendall(WHOLE[:20])
        wait_until_closed(sock)
    assert LONGER_S * 0.9 < time.monotonic() - began < 40


@pytest.mark.usefixtures("longer")
def test_whole_requests_on_one_connection_go_on(port: int) -> None:
    with contextlib.closing(HTTPConnection("127.0.0.1", port, timeout=60)) as connection:
        ends = time.monotonic() + 1.2 * LONGER_S
        while time.monotonic() < ends:
            connection.request("GET", "/api/v1/alive")
            answer = connection.getresponse()
            assert (answer.status, bool(answer.read())) == (200, True)
            time.sleep(0.3)


@pytest.mark.usefixtures("longer")
def test_a_stream_outlives_all_patience(port: int) -> None:
    with socket.create_connection(("127.0.0.1", port), timeout=60) as sock:
        sock.sendall(b"GET /api/v1/events/stream HTTP/1.1\r\nHost: localhost\r\n\r\n")
        ends = time.monotonic() + 1.2 * LONGER_S
        received = b""
        while time.monotonic() < ends:
            received += sock.recv(65536)
        assert b"still here" in received


async def echo(scope: Scope, receive: Receive, send: Send) -> None:
    await receive()  # the wish to connect
    await send({"type": "websocket.accept"})
    while (message := await receive())["type"] == "websocket.receive":
        await send({"type": "websocket.send", "text": message["text"]})


@pytest.mark.usefixtures("longer")
def test_a_live_connection_outlives_all_patience(port: int, app: FastAPI) -> None:
    app.mount("/echo", echo)
    with connect(f"ws://127.0.0.1:{port}/echo/now", open_timeout=60) as live:
        time.sleep(1.2 * LONGER_S)
        live.send("still here")
        assert live.recv(timeout=60) == "still here"


@pytest.mark.usefixtures("longer")
def test_a_body_that_does_not_come_is_not_waited_for(
    port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(guard, "BODY_S", 0.5)
    head = f"POST /api/v1/alarms/{HIGH.id}/acknowledge HTTP/1.1\r\nHost: localhost\r\n"
    head += "Content-Type: application/json\r\nContent-Length: 100\r\n\r\n{"
    with socket.create_connection(("127.0.0.1", port), timeout=60) as sock:
        sock.sendall(head.encode())
        answer = b"".join(iter(lambda: sock.recv(65536), b""))
    assert answer.split()[1] == b"408"
    assert b"urn:weirwatch:problem:too-slow" in answer


@pytest.mark.usefixtures("longer")
def test_a_head_without_end_is_refused(port: int) -> None:
    with socket.create_connection(("127.0.0.1", port), timeout=60) as sock:
        sock.sendall(b"GET /api/v1/alive HTTP/1.1\r\nHost: localhost\r\n")
        answer = b""
        try:
            for n in range(40):
                sock.sendall(b"X-%d: %s\r\n" % (n, b"y" * 4000))
            answer = sock.recv(65536)
        except OSError:  # closed while we were still sending
            return
    assert answer.split()[1] == b"400"
