"""The home of what is refused before a request is looked at: strangers, foreign pages, huge bodies.

While nobody has a token only this machine is served. A page of another site can make a browser
here send requests: by a name that it makes point to 127.0.0.1 (so the Host header must be a
loopback one), or by a form (so a command must come from our own page, or from no page at all).
Once somebody has a token everybody must show one, in the header `Authorization` or by the page's
session cookie.
"""

import asyncio
import re
from collections.abc import Mapping
from http.cookies import CookieError, SimpleCookie

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from weirwatch.domain.errors import ConfigError, WeirwatchError
from weirwatch.pipeline.access import is_loopback
from weirwatch.pipeline.photos import MEDIA_TYPES, MOST_BYTES
from weirwatch.ports import Clock
from weirwatch.web import problems
from weirwatch.web.access import Access, Refusal, anybody
from weirwatch.web.lockout import RateLimit
from weirwatch.web.rights import PUBLIC, SAFE_METHODS, SIGN_IN, Identity, role_needed
from weirwatch.web.sign_in import COOKIE, way_in

BODY_S = 30.0  # for the whole of it
MAX_BODY = 64 * 1024  # bytes; the longest comment is 2000 characters
API = "/api/"
_OF_PHOTOS = re.compile(r"/api/v1/log/[0-9]+/photos")  # the one body that is no JSON

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
IDENTITY = "weirwatch.identity"  # key of the scope: who is asking; absent on public addresses
_MACHINES = ("/api/", "/metrics", "/sta/")  # asked by programs, which are told to show a token


class Guard:
    """ASGI middleware around API and page; without `access` nobody can have a token."""

    def __init__(
        self,
        app: ASGIApp,
        clock: Clock,
        access: Access | None = None,
        limit: RateLimit | None = None,
    ) -> None:
        self._app = app
        self._clock = clock
        self._access = access
        self._limit = limit or RateLimit()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse, or pass on; either way with the security headers."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] == "http":
            send = _with_headers(scope, send)
        try:
            self._not_too_often(scope)
            identity = await self._admit(scope)
        except Refusal as refusal:
            await _refuse(refusal, scope, receive, send)
            return
        if identity is not None:
            scope[IDENTITY] = identity
            _sign(scope, identity)
        if scope["type"] == "websocket":
            await self._app(scope, self._while_allowed(identity, receive, send), send)
        elif _has_body(scope):
            await self._with_body(scope, receive, send)
        else:
            await self._app(scope, receive, send)

    def _not_too_often(self, scope: Scope) -> None:
        path = scope["path"]
        if not path.startswith(_MACHINES) and path != SIGN_IN:
            return
        wait_s = self._limit.wait_s(_remote(scope), self._clock.real_mono())
        if wait_s:
            detail = "more requests than this service takes from one address: go slower"
            raise Refusal(problems.TOO_MANY_REQUESTS, detail, max(1, round(wait_s)))

    async def _admit(self, scope: Scope) -> Identity | None:
        """Return who is asking; None: somebody unknown, at a public address.

        Raises:
            Refusal: they may not.
        """
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        rights = await self._rights_hold(scope["path"])
        if not rights and not _is_here(scope, hosts):
            raise Refusal(problems.FOREIGN_HOST, _ONLY_HERE)
        commanding = scope["type"] == "websocket" or scope["method"] not in SAFE_METHODS
        if commanding and (len(hosts) != 1 or not _own_origin(headers, hosts[0])):
            raise Refusal(
                problems.FOREIGN_ORIGIN, "the Origin header is not of this service's own page"
            )
        if scope["path"] in PUBLIC:
            return None
        if not rights or self._access is None:
            return anybody(_remote(scope))
        identity = await run_in_threadpool(_identify, self._access, scope, headers)
        _check(identity, scope, headers, commanding=commanding)
        return identity

    async def _rights_hold(self, path: str) -> bool:
        if self._access is None:
            return False
        try:
            return await run_in_threadpool(self._access.rights_hold)
        except ConfigError:
            return False  # there is no file yet, hence no token
        except WeirwatchError as error:
            if path in PUBLIC:
                return True
            raise Refusal(problems.NOT_ANSWERING, str(error)) from error

    def _while_allowed(self, identity: Identity | None, receive: Receive, send: Send) -> Receive:
        """Return a `receive` that ends a live connection when its token does."""
        access = self._access

        async def checked() -> Message:
            message = await receive()
            if access is None or identity is None or message["type"] != "websocket.receive":
                return message
            try:
                allowed = await run_in_threadpool(access.still, identity)
            except WeirwatchError:
                return message  # cannot be read right now; the next message is checked again
            if allowed:
                return message
            await send({"type": "websocket.close", "code": 1008})
            return {"type": "websocket.disconnect", "code": 1008}

        return checked

    async def _with_body(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Read the whole body first, so that its size and type are known."""
        photo = _OF_PHOTOS.fullmatch(scope["path"]) is not None
        most = MOST_BYTES if photo else MAX_BODY
        try:
            async with asyncio.timeout(BODY_S):
                body = await _body(receive, most)
        except TimeoutError:
            detail = f"the body did not come within {BODY_S:g} s"
            closing = {"Connection": "close"}
            answer = problems.problem(problems.TOO_SLOW, detail, headers=closing)
            await answer(scope, receive, send)
            return
        of_api = scope["path"].startswith(API)
        content_type = Headers(scope=scope).get("content-type", "")
        if body is None:
            detail = f"a {'photo' if photo else 'request to the API'} has at most {most} bytes"
            await problems.problem(problems.TOO_LARGE, detail)(scope, receive, send)
        elif photo and _media_type(content_type) not in MEDIA_TYPES:
            detail = f"send the header Content-Type: {' or '.join(MEDIA_TYPES)} with the picture"
            await problems.problem(problems.NOT_A_PHOTO, detail)(scope, receive, send)
        elif of_api and not photo and body and not _is_json(content_type):
            detail = "send the header Content-Type: application/json with the body"
            await problems.problem(problems.NOT_JSON, detail)(scope, receive, send)
        else:
            await self._app(scope, _replay(body, receive), send)


def is_loopback_host(host: str) -> bool:
    """Return whether a Host header names this machine by a loopback name or address."""
    name, _, port = host.rpartition(":") if _has_port(host) else (host, "", "")
    if port and not (port.isascii() and port.isdigit()):
        return False
    return is_loopback(name)


def _has_port(host: str) -> bool:
    return ":" in host and not host.endswith("]")


_ONLY_HERE = (
    "while nobody has a token only this machine is served; "
    "ask for localhost or 127.0.0.1 in the address"
)


def _is_here(scope: Scope, hosts: list[str]) -> bool:
    return is_loopback(_remote(scope)) and len(hosts) == 1 and is_loopback_host(hosts[0])


def _remote(scope: Scope) -> str:
    client = scope.get("client")
    return str(client[0]) if client else "unknown"


def _identify(access: Access, scope: Scope, headers: Headers) -> Identity | None:
    """Return whose token or session came along; None: neither.

    Raises:
        Refusal: a token that is none; or the file cannot be read right now.
    """
    remote = _remote(scope)
    try:
        scheme, _, text = headers.get("authorization", "").partition(" ")
        if scheme:
            return access.by_token(text.strip() if scheme.lower() == "bearer" else "", remote)
        session = _cookie(headers)
        return access.by_session(session, remote) if session else None
    except WeirwatchError as error:
        raise Refusal(problems.NOT_ANSWERING, str(error)) from error


def _check(identity: Identity | None, scope: Scope, headers: Headers, *, commanding: bool) -> None:
    if identity is None:
        raise Refusal(
            problems.NO_TOKEN, "send the header Authorization: Bearer with your token, or sign in"
        )
    if identity.session and commanding and "origin" not in headers:
        raise Refusal(problems.FOREIGN_ORIGIN, "a command by cookie needs the Origin header")
    needed = role_needed(scope.get("method", "GET"), scope["path"])
    if not identity.role.covers(needed):
        raise Refusal(
            problems.NOT_ALLOWED,
            f"the token {identity.name!r} may {identity.role.value}; this needs {needed.value}",
        )


def _sign(scope: Scope, identity: Identity) -> None:
    """Put the token's name in place of whatever the header `operator` claims."""
    if identity.name:
        kept = [(name, value) for name, value in scope["headers"] if name != b"operator"]
        scope["headers"] = [*kept, (b"operator", identity.name.encode())]


def _cookie(headers: Headers) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return ""
    return found.value if found is not None else ""


def _has_body(scope: Scope) -> bool:
    path = scope["path"]
    return scope["method"] not in SAFE_METHODS and (path.startswith(_MACHINES) or path in PUBLIC)


async def _refuse(refusal: Refusal, scope: Scope, receive: Receive, send: Send) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 1008})
        return
    headers = {}
    if refusal.kind is problems.NO_TOKEN:
        way = way_in(scope["path"]) if scope["method"] == "GET" else None
        if way is not None:
            await RedirectResponse(way, 303)(scope, receive, send)
            return
        headers["WWW-Authenticate"] = "Bearer"
    if refusal.retry_after_s is not None:
        headers["Retry-After"] = str(refusal.retry_after_s)
    answer = problems.problem(refusal.kind, refusal.detail, headers=headers)
    await answer(scope, receive, send)


def _own_origin(headers: Headers, host: str) -> bool:
    if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
        return False
    return all(
        origin in (f"http://{host}", f"https://{host}") for origin in headers.getlist("origin")
    )


def _media_type(content_type: str) -> str:
    return content_type.split(";", 1)[0].strip().lower()


def _is_json(content_type: str) -> bool:
    kind = _media_type(content_type)
    return kind == "application/json" or (
        kind.startswith("application/") and kind.endswith("+json")
    )


async def _body(receive: Receive, most: int) -> bytes | None:
    body = bytearray()
    while True:
        message = await receive()
        body += message.get("body", b"")
        if len(body) > most:
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
    own = _OF_API if scope["path"].startswith(_MACHINES) else _OF_PAGE

    async def adding(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in (*_EVERYWHERE.items(), *own.items()):
                headers.setdefault(name, value)
        await send(message)

    return adding
