"""The home of what is refused before a request is looked at: foreign hosts, origins, huge bodies.

Without access rights only this machine is served. A page of another site can make a browser here
send requests: by a name that it makes point to 127.0.0.1 (so the Host header must be a loopback
one), or by a form (so a command must come from our own page, or from no page at all).
"""

import ipaddress
from collections.abc import Mapping

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from weirwatch.web import problems
from weirwatch.web.problems import Kind

MAX_BODY = 64 * 1024  # bytes; the longest comment is 2000 characters
API = "/api/"

_EVERYWHERE: Mapping[str, str] = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}
_OF_API: Mapping[str, str] = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
}
# The page's framework compiles its templates in the browser, hence 'unsafe-eval'.
_OF_PAGE: Mapping[str, str] = {
    "Content-Security-Policy": (
        "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval' blob:; "
        "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:; "
        "connect-src 'self'; worker-src 'self' blob:; object-src 'none'; base-uri 'self'; "
        "form-action 'self'; frame-ancestors 'none'"
    ),
}
_SAFE_METHODS = ("GET", "HEAD", "OPTIONS")


class Guard:
    """ASGI middleware around API and page."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse, or pass on; either way with the security headers."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        refusal = _refusal(scope)
        if scope["type"] == "websocket":
            if refusal is None:
                await self._app(scope, receive, send)
            else:
                await send({"type": "websocket.close", "code": 1008})
            return
        send = _with_headers(scope, send)
        if refusal is not None:
            await problems.problem(*refusal)(scope, receive, send)
        elif scope["path"].startswith(API) and scope["method"] not in _SAFE_METHODS:
            await self._with_body(scope, receive, send)
        else:
            await self._app(scope, receive, send)

    async def _with_body(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Read the whole body first, so that its size and type are known."""
        body = await _body(receive)
        if body is None:
            detail = f"a request to the API has at most {MAX_BODY} bytes"
            await problems.problem(problems.TOO_LARGE, detail)(scope, receive, send)
        elif body and not _is_json(Headers(scope=scope).get("content-type", "")):
            detail = "send the header Content-Type: application/json with the body"
            await problems.problem(problems.NOT_JSON, detail)(scope, receive, send)
        else:
            await self._app(scope, _replay(body, receive), send)


def is_loopback_host(host: str) -> bool:
    """Return whether a Host header names this machine by a loopback name or address."""
    name, _, port = host.rpartition(":") if _has_port(host) else (host, "", "")
    if port and not (port.isascii() and port.isdigit()):
        return False
    if name.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(name.removeprefix("[").removesuffix("]")).is_loopback
    except ValueError:
        return False


def _has_port(host: str) -> bool:
    return ":" in host and not host.endswith("]")


def _refusal(scope: Scope) -> tuple[Kind, str] | None:
    headers = Headers(scope=scope)
    hosts = headers.getlist("host")
    if len(hosts) != 1 or not is_loopback_host(hosts[0]):
        return problems.FOREIGN_HOST, (
            "without access rights only this machine is served; "
            "ask for localhost or 127.0.0.1 in the address"
        )
    commanding = scope["type"] == "websocket" or scope["method"] not in _SAFE_METHODS
    if commanding and not _own_origin(headers, hosts[0]):
        return problems.FOREIGN_ORIGIN, "the Origin header is not of this service's own page"
    return None


def _own_origin(headers: Headers, host: str) -> bool:
    if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
        return False
    return all(
        origin in (f"http://{host}", f"https://{host}") for origin in headers.getlist("origin")
    )


def _is_json(content_type: str) -> bool:
    kind = content_type.split(";", 1)[0].strip().lower()
    return kind == "application/json" or (
        kind.startswith("application/") and kind.endswith("+json")
    )


async def _body(receive: Receive) -> bytes | None:
    body = bytearray()
    while True:
        message = await receive()
        body += message.get("body", b"")
        if len(body) > MAX_BODY:
            return None
        if message["type"] == "http.disconnect" or not message.get("more_body"):
            return bytes(body)


def _replay(body: bytes, receive: Receive) -> Receive:
    given = False

    async def again() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return again


def _with_headers(scope: Scope, send: Send) -> Send:
    own = _OF_API if scope["path"].startswith(API) else _OF_PAGE

    async def adding(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in (*_EVERYWHERE.items(), *own.items()):
                headers.setdefault(name, value)
        await send(message)

    return adding
