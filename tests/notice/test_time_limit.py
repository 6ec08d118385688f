"""Peers that drip their answer byte by byte: no delivery lasts longer than its limit."""

import contextlib
import socket
import threading
import time
from collections.abc import Iterator

import pytest
from support.receivers import NOTICE

from weirwatch.domain.errors import TransientError
from weirwatch.notice.http_post import Answer, HttpPost
from weirwatch.notice.mail import MailNotifier, MailServer

LIMIT_S = 0.5
LIMITS_S = (LIMIT_S, 4.0, 32.0)  # the longer ones where the machine is too busy for the first
WAIT_S = 60.0  # for each wait alone: it never is so long


@contextlib.contextmanager
def dripping(*, asks: bool, first: bytes, drop: bytes) -> Iterator[int]:
    """A server that says something, after it was asked or at once, and drips on for ever."""
    over = threading.Event()

    def serve(listening: socket.socket) -> None:
        peer, _ = listening.accept()
        with peer, contextlib.suppress(OSError):
            if asks:
                peer.recv(65_536)
            peer.sendall(first)
            while not over.wait(0.05):
                peer.sendall(drop)

    with socket.create_server(("127.0.0.1", 0)) as listening:
        thread = threading.Thread(target=serve, args=(listening,))
        thread.start()
        try:
            yield listening.getsockname()[1]
        finally:
            over.set()
            thread.join(60)


def post(port: int, limit_s: float) -> Answer:
    return HttpPost(f"http://127.0.0.1:{port}/", timeout_s=WAIT_S, longest_s=limit_s)(b"{}", {})


@pytest.mark.parametrize(
    ("first", "drop", "status"),
    [
        (b"HTTP/1.1 ", b"2", None),
        (b"", b"HTTP/1.1 100 Continue\r\n\r\n", None),
        (b"HTTP/1.1 200 OK\r\nx: ", b"y", 200),
        (b"HTTP/1.1 200 OK\r\n\r\n", b"y", 200),
        (b"HTTP/1.1 200 OK\r\nConnection: close\r\nContent-Length: 4000\r\n\r\n", b"y", 200),
        (b"HTTP/1.1 503 Busy\r\nTransfer-Encoding: chunked\r\n\r\nff\r\n", b"y", 503),
    ],
)
def test_an_answer_that_drips_ends_in_time(first: bytes, drop: bytes, status: int | None) -> None:
    for limit_s in LIMITS_S:
        began = time.monotonic()
        with dripping(asks=True, first=first, drop=drop) as port:
            found = post(port, limit_s).status
        assert limit_s * 0.9 < time.monotonic() - began < WAIT_S
        if found == status:  # else perhaps the first word came too late
            break
    assert found == status


def test_a_2xx_whose_rest_never_comes_is_taken() -> None:
    begun = b"HTTP/1.1 200 OK\r\nContent-Length: 4000\r\n\r\n"
    with dripping(asks=True, first=begun, drop=b"") as port:
        answer = HttpPost(f"http://127.0.0.1:{port}/", timeout_s=4.0)(b"{}", {})
    assert answer.taken


@pytest.mark.parametrize("first", [b"", b"220 hall\r\n250-"])
def test_a_mail_server_that_drips_is_left_in_time(first: bytes) -> None:
    began = time.monotonic()
    with dripping(asks=False, first=first, drop=b"2") as port:
        server = MailServer("127.0.0.1", port, "none", timeout_s=WAIT_S, longest_s=LIMIT_S)
        keeper = MailNotifier("keeper", server, "weirwatch@hall.example", "keeper@hall.example")
        with pytest.raises(TransientError, match="mail to keeper"):
            keeper.send(NOTICE)
    assert LIMIT_S * 0.9 < time.monotonic() - began < WAIT_S / 2
