"""The home of saving bytes (RFC 9110): ETag with If-None-Match, gzip, and HEAD."""

import gzip
import hashlib

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

_LEAST = 1024  # bytes; below that gzip saves no packet
_LEVEL = 5
_OURS = ("/api/", "/sta/")
_STREAM = "/stream"


class Compact:
    """ASGI middleware around the API: whole answers of GET get an ETag and are compressed.

    HEAD is answered as GET is, without the body; not where the body is a stream without end.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on; hold back what is sent until it is whole, streams apart."""
        method = scope["method"] if scope["type"] == "http" else ""
        if method not in ("GET", "HEAD") or not scope["path"].startswith(_OURS):
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        if method == "HEAD" and not scope["path"].endswith(_STREAM):
            scope, send = {**scope, "method": "GET"}, _headless(send)
        await self._app(scope, receive, _Whole(headers, send).take)


class _Whole:
    """One answer on its way out."""

    def __init__(self, asked: Headers, send: Send) -> None:
        self._asked = asked
        self._send = send
        self._start: Message = {}
        self._body = bytearray()
        self._passing = False

    async def take(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self._start = message
            kind = Headers(raw=message["headers"]).get("content-type", "")
            self._passing = message["status"] != 200 or kind.startswith("text/event-stream")
            if self._passing:
                await self._send(message)
        elif self._passing:
            await self._send(message)
        else:
            self._body += message.get("body", b"")
            if not message.get("more_body"):
                await self._finish(bytes(self._body))

    async def _finish(self, body: bytes) -> None:
        headers = MutableHeaders(scope=self._start)
        # Weak: the same whether compressed or not.
        tag = f'W/"{hashlib.sha256(body).hexdigest()[:24]}"'
        headers["ETag"] = tag
        headers["Cache-Control"] = "private, no-cache"  # to be asked for again each time
        headers["Vary"] = "Accept, Accept-Encoding, Authorization, Cookie"
        if _matches(self._asked.get("if-none-match", ""), tag):
            self._start["status"] = 304
            for name in ("Content-Length", "Content-Type"):
                del headers[name]
            body = b""
        elif len(body) >= _LEAST and _takes_gzip(self._asked.get("accept-encoding", "")):
            body = gzip.compress(body, _LEVEL, mtime=0)
            headers["Content-Encoding"] = "gzip"
            headers["Content-Length"] = str(len(body))
        await self._send(self._start)
        await self._send({"type": "http.response.body", "body": body})


def _headless(send: Send) -> Send:
    async def bare(message: Message) -> None:
        if message["type"] == "http.response.body":
            message = {**message, "body": b""}
        await send(message)

    return bare


def _matches(asked: str, tag: str) -> bool:
    """Compare weakly, as RFC 9110 section 13.1.2 says."""
    known = [part.strip().removeprefix("W/") for part in asked.split(",")]
    return "*" in known or tag.removeprefix("W/") in known


def _takes_gzip(accept: str) -> bool:
    for part in accept.split(","):
        coding, _, weight = part.strip().partition(";")
        if coding.strip() in ("gzip", "*"):
            return weight.replace(" ", "") not in ("q=0", "q=0.0", "q=0.00", "q=0.000")
    return False
