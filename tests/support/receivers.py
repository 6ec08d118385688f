"""Receivers of notices on loopback: an HTTP server that answers as told, a real SMTP server."""

import ssl
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, Envelope
from support.ports import free_port

from weirwatch.ports import Notice

NOTICE = Notice(
    id="7-keeper",
    event_seq=7,
    recipient="keeper",
    created=1_777_636_800_000_000,  # 2026-05-01T12:00:00Z
    text="HIGH: Sump high (Harbour Hall): 320 mm °C\nStay out if the floor is wet.",
    payload={"event": 7, "why": "call", "alarm": {"id": "sump-high", "priority": "high"}},
)


@dataclass
class Posted:
    """One request as it arrived."""

    path: str
    headers: Mapping[str, str]
    body: bytes


@dataclass
class HttpReceiver:
    """What arrived, and how the next requests are answered."""

    url: str = ""
    answers: list[tuple[int, dict[str, str]]] = field(default_factory=list)
    slow_s: float = 0.0
    posted: list[Posted] = field(default_factory=list)
    let_go: threading.Event = field(default_factory=threading.Event)
    before_answer: Callable[[Posted], None] = lambda _: None


@contextmanager
def http_receiver() -> Iterator[HttpReceiver]:
    """An HTTP server; answers 204 unless told otherwise."""
    receiver = HttpReceiver()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            posted = Posted(self.path, dict(self.headers), body)
            receiver.posted.append(posted)
            receiver.before_answer(posted)
            status, headers = receiver.answers.pop(0) if receiver.answers else (204, {})
            if receiver.slow_s:
                receiver.let_go.wait(receiver.slow_s)
            try:
                self.send_response(status)
                for name, value in headers.items():
                    self.send_header(name, value)
                self.end_headers()
            except OSError:
                pass  # nobody waited for it

        def log_message(self, *_: object) -> None:
            """Be quiet."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    receiver.url = f"http://127.0.0.1:{server.server_address[1]}/alarm?to=keeper"
    thread = threading.Thread(target=server.serve_forever, args=(0.05,))
    thread.start()
    try:
        yield receiver
    finally:
        receiver.let_go.set()
        server.shutdown()
        thread.join()
        server.server_close()


class Mailbox:
    """A handler of aiosmtpd: keeps what it takes, refuses what it is told to."""

    def __init__(self) -> None:
        self.taken: list[Envelope] = []
        self.refuse: dict[str, str] = {}
        self.logins: list[tuple[str, str]] = []

    async def handle_RCPT(  # noqa: N802 - aiosmtpd calls it so
        self, _server: Any, _session: Any, envelope: Envelope, address: str, _options: list[str]
    ) -> str:
        if "rcpt" in self.refuse:
            return self.refuse["rcpt"]
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(  # noqa: N802 - aiosmtpd calls it so
        self, _server: Any, _session: Any, envelope: Envelope
    ) -> str:
        if "data" in self.refuse:
            return self.refuse["data"]
        self.taken.append(envelope)
        return "250 OK"

    def authenticate(self, *details: Any) -> AuthResult:
        login, password = details[4].login.decode(), details[4].password.decode()
        self.logins.append((login, password))
        return AuthResult(success=password == "right", handled=password == "right")


@contextmanager
def smtp_receiver(
    *,
    tls: ssl.SSLContext | None = None,
    starttls: ssl.SSLContext | None = None,
    login: bool = False,
) -> Iterator[tuple[Mailbox, int]]:
    """An SMTP server; yields its mailbox and port."""
    box = Mailbox()
    port = free_port()
    controller = Controller(
        box,
        hostname="127.0.0.1",
        port=port,
        ssl_context=tls,
        tls_context=starttls,
        require_starttls=starttls is not None,
        authenticator=box.authenticate if login else None,
        auth_required=login,
        auth_require_tls=login and tls is None,
        ready_timeout=60,
    )
    controller.start()
    try:
        yield box, port
    finally:
        controller.stop()
