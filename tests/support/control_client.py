"""Clients of the control socket for tests: a raw one, and a listener on a thread."""

import json
import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from weirwatch.control.client import ControlClient


def ask_raw(path: Path, data: bytes, *, timeout_s: float = 60.0) -> list[dict[str, Any]]:
    """Send bytes, close the sending side, return every line of the answer."""
    with socket.socket(socket.AF_UNIX) as sock:
        sock.settimeout(timeout_s)
        sock.connect(str(path))
        try:
            sock.sendall(data)
            sock.shutdown(socket.SHUT_WR)
        except OSError:
            pass  # refused before everything was sent
        received = b""
        while chunk := _chunk(sock):
            received += chunk
    return [json.loads(line) for line in received.splitlines()]


def _chunk(sock: socket.socket) -> bytes:
    try:
        return sock.recv(65536)
    except ConnectionResetError:
        return b""


def until(condition: Callable[[], bool], *, timeout_s: float = 60.0) -> None:
    """Wait until the condition holds; fail when it does not in time."""
    end = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end, "not in time"
        time.sleep(0.01)


class Listener:
    """Listens on a thread and keeps what it hears."""

    def __init__(self, path: Path) -> None:
        self.heard: list[dict[str, Any]] = []
        self.listening = threading.Event()
        self.ended = threading.Event()
        self._client = ControlClient(path)
        self._leave: Callable[[], None] = lambda: None
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        assert self.listening.wait(60)

    def _run(self) -> None:
        with self._client.listen() as messages:
            self.listening.set()
            for message in messages:
                self.heard.append(dict(message))
        self.ended.set()

    def events(self) -> list[Any]:
        """Return what the events carried."""
        return [message["event"] for message in self.heard if "event" in message]
