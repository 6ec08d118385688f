"""Who may in: every role on every route by every method; lockout, sessions, audit, limits."""

import re
import socket
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

import httpx
import pytest
from starlette.routing import Route
from starlette.types import Receive, Scope, Send
from support.browser import browser
from support.web_harbour import HIGH
from support.web_world import World, made_world
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect
from websockets.typing import Origin

from weirwatch.domain.errors import ConfigError, PermanentError, TransientError
from weirwatch.domain.instant import SECOND
from weirwatch.pipeline.access import Role, Session, make_token
from weirwatch.ports import Command
from weirwatch.store.access import SESSIONS_KEPT, SqliteBook
from weirwatch.web.access import Access
from weirwatch.web.guard import IDENTITY
from weirwatch.web.lockout import FIRST_PAUSE, FREE_FAILURES, RateLimit
from weirwatch.web.page.signed import SignedCore
from weirwatch.web.rights import PUBLIC, Identity
from weirwatch.web.server import _allow_many_connections

ACKNOWLEDGE = f"/api/v1/alarms/{HIGH.id}/acknowledge"
DAY = 86_400 * SECOND


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[World, dict[str, str]]]:
    """A harbour where one person has each role; the second value is their tokens."""
    with made_world(tmp_path_factory.mktemp("harbour")) as world:
        yield world, {role.value: world.token(f"{role} person", role) for role in Role}


@pytest.fixture
def locked(tmp_path: Path) -> Iterator[tuple[World, str]]:
    """A harbour of its own, and the token of its operator."""
    with made_world(tmp_path) as world:
        yield world, world.token("tablet", Role.OPERATE)


def bearer(text: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {text}"}


def expected(role: str | None, method: str, path: str) -> int | None:
    """The status that refuses; None: it gets through to the route. Written out once more here."""
    if path in ("/api/v1/alive",):
        return None
    if role is None:
        return 401
    if path.startswith(("/api/v1/tokens", "/api/v1/audit")):
        return None if role == "admin" else 403
    if method == "GET":
        return None
    return 403 if role == "view" else None


def test_every_role_on_every_route_by_every_method(guarded: tuple[World, dict[str, str]]) -> None:
    world, tokens = guarded
    paths = world.app.openapi()["paths"]
    tried = 0
    people: list[tuple[str | None, dict[str, str]]] = [
        (None, {}),
        ("nobody", bearer("ww_aaaaaaaa_" + "x" * 43)),
        *((role, bearer(text)) for role, text in tokens.items()),
    ]
    client = httpx.Client(base_url=world.url(), timeout=60)
    for template, operations in paths.items():
        if template.endswith("/stream"):
            continue  # never ends; it has a test of its own
        path = re.sub(r"\{.*?\}", "nothing", template)
        for role, headers in people:
            for method in ("GET", "POST", "PUT", "PATCH", "DELETE"):
                if role == "nobody":
                    world.access.forgive("127.0.0.1")
                answer = client.request(method, path, headers=headers)
                refused = expected(None if role == "nobody" else role, method, path)
                where = (role, method, path, answer.text)
                if refused is None:
                    assert answer.status_code not in (401, 403, 429), where
                    known = method.lower() in operations
                    assert (answer.status_code == 405) == (not known), where
                else:
                    assert answer.status_code == refused, where
                    code = "no-token" if refused == 401 else "not-allowed"
                    assert answer.json()["type"].endswith(code), where
                    assert ("www-authenticate" in answer.headers) == (refused == 401)
                tried += 1
    client.close()
    assert tried >= 5 * 5 * 20


# Routes that are not in the OpenAPI document: what answers a reader, by path.
OTHERS = {
    "/metrics": "/metrics",
    "/sta/v1.1": "/sta/v1.1",
    "/sta/v1.1/{rest:path}": "/sta/v1.1/Things",
    "/api/v1/openapi.json": "/api/v1/openapi.json",
    "/api/v1/asyncapi.json": "/api/v1/asyncapi.json",
}


def test_what_the_document_does_not_list_is_guarded_as_well(
    guarded: tuple[World, dict[str, str]],
) -> None:
    world, tokens = guarded
    plain = {route.path for route in world.app.routes if isinstance(route, Route)}
    assert plain == {*OTHERS, "/sign-in", "/sign-out", "/api/{rest:path}"}
    with httpx.Client(base_url=world.url(), timeout=60) as client:
        for path in OTHERS.values():
            assert client.get(path).status_code == 401, path
            assert client.post(path).status_code == 401, path
            for role, text in tokens.items():
                assert client.get(path, headers=bearer(text)).status_code == 200, path
                for method in ("POST", "PUT", "PATCH", "DELETE"):
                    status = client.request(method, path, headers=bearer(text)).status_code
                    allowed = (403,) if role == "view" else (404, 405)
                    assert status in allowed, (role, method, path)


def test_the_stream_needs_a_token(guarded: tuple[World, dict[str, str]]) -> None:
    world, tokens = guarded
    url = world.url("/api/v1/events/stream?cursor=0")
    assert httpx.get(url).status_code == 401
    with httpx.stream("GET", url, headers=bearer(tokens["view"])) as answer:
        assert answer.status_code == 200
        assert next(answer.iter_lines()).startswith("retry")


def test_public_addresses_tell_nothing_of_the_plant(guarded: tuple[World, dict[str, str]]) -> None:
    world, _ = guarded
    assert {"/api/v1/alive", "/sign-in", "/sign-out"} == PUBLIC
    for path in PUBLIC - {"/sign-out"}:
        text = httpx.get(world.url(path)).text
        assert "sump" not in text.lower()
        assert "harbour" not in text.lower()


def test_the_operator_header_never_overrides_the_name(
    guarded: tuple[World, dict[str, str]],
) -> None:
    world, tokens = guarded
    world.core.commands.clear()
    headers = [("operator", "the boss"), *bearer(tokens["operate"]).items(), ("Operator", "x")]
    assert httpx.post(world.url(ACKNOWLEDGE), headers=headers).status_code == 200
    command = world.core.commands[0]
    assert (command.who, command.remote) == ("operate person", "127.0.0.1")


def test_nobody_writes_the_log_in_another_s_name(guarded: tuple[World, dict[str, str]]) -> None:
    world, tokens = guarded
    entry = {"kind": "note", "text": "skimmer cup emptied", "who": "the boss"}
    url = world.url("/api/v1/log")
    answer = httpx.post(url, headers=bearer(tokens["operate"]), json=entry)
    assert (answer.status_code, answer.json()["who"]) == (200, "operate person"), answer.text


def test_tokens_are_shown_without_their_secrets(guarded: tuple[World, dict[str, str]]) -> None:
    world, tokens = guarded
    answer = httpx.get(world.url("/api/v1/tokens"), headers=bearer(tokens["admin"]))
    items = {item["name"]: item for item in answer.json()["items"]}
    assert items["view person"]["role"] == "view"
    assert items["admin person"]["last_from"] == "127.0.0.1"
    for text in tokens.values():
        assert text.split("_", 2)[2] not in answer.text
        assert text.encode() not in world.harbour.path.read_bytes()
        assert text[12:].encode() not in world.harbour.path.read_bytes()


def test_a_revoked_token_ends_at_once(locked: tuple[World, str]) -> None:
    world, text = locked
    admin = world.token("owner", Role.ADMIN)
    assert httpx.get(world.url("/api/v1/alarms"), headers=bearer(text)).status_code == 200
    asked = {"name": "revoke", "token": "tablet", "who": "owner", "remote": "192.0.2.7"}
    assert world.desk.handle(asked)["state"] == "revoked"
    assert httpx.get(world.url("/api/v1/alarms"), headers=bearer(text)).status_code == 401
    audit = httpx.get(world.url("/api/v1/audit"), headers=bearer(admin), params={"limit": 1})
    deed = audit.json()["items"][0]
    assert (deed["who"], deed["action"], deed["subject"]) == ("owner", "token-revoked", "tablet")
    assert deed["remote"] == "192.0.2.7"


def test_the_audit_has_pages(locked: tuple[World, str]) -> None:
    world, _ = locked
    admin = bearer(world.token("owner", Role.ADMIN))
    for n in range(5):
        who = {"who": "owner", "remote": "192.0.2.7", "subject": str(n), "outcome": "done"}
        world.desk.handle({"name": "deed", "action": "shelve", **who})
    seen, cursor = [], None
    while True:
        asked = {"limit": 2} | ({"cursor": cursor} if cursor else {})
        page = httpx.get(world.url("/api/v1/audit"), headers=admin, params=asked).json()
        seen += [item["subject"] for item in page["items"]]
        cursor = page["next"]
        if cursor is None:
            break
    assert seen == ["4", "3", "2", "1", "0"]


def test_an_expired_token_ends_and_opens_nothing_to_others(tmp_path: Path) -> None:
    with made_world(tmp_path) as world:
        text = world.token("visitor", Role.VIEW, days=2)
        url = world.url("/api/v1/alarms")
        assert httpx.get(url, headers=bearer(text)).status_code == 200
        world.harbour.clock.utc += 2 * DAY
        assert httpx.get(url, headers=bearer(text)).status_code == 401
        assert httpx.get(url).status_code == 401, "time alone never opens the service"


@pytest.mark.parametrize(
    "header",
    ["Bearer", "Basic dXNlcjpwYXNz", "Bearer ww_x", "bearer \u00e9", "Bearer a b c"],
)
def test_what_is_no_token_is_refused(locked: tuple[World, str], header: str) -> None:
    world, _ = locked
    answer = httpx.get(world.url("/api/v1/alarms"), headers={b"Authorization": header.encode()})
    assert answer.status_code == 401


def test_guessing_locks_an_address_out_longer_each_time(locked: tuple[World, str]) -> None:
    world, text = locked
    url, clock = world.url("/api/v1/alarms"), world.harbour.clock
    known = world.token("known before", Role.VIEW)
    assert httpx.get(url, headers=bearer(known)).status_code == 200
    wrong = text[:-1] + ("A" if text[-1] != "A" else "B")
    for _ in range(FREE_FAILURES):
        assert httpx.get(url, headers=bearer(wrong)).status_code == 401
    waits = []
    for _ in range(3):
        answer = httpx.get(url, headers=bearer(text))
        assert answer.status_code == 429, "even the right one waits"
        assert answer.json()["type"].endswith(":locked-out")
        waits.append(int(answer.headers["retry-after"]))
        clock.utc += waits[-1] * SECOND
        assert httpx.get(url, headers=bearer(wrong)).status_code == 401
    assert waits == [FIRST_PAUSE // SECOND * 2**n for n in range(3)]
    assert httpx.get(url, headers=bearer(known)).status_code == 200, "who is in stays in"
    clock.utc += 3600 * SECOND
    assert httpx.get(url, headers=bearer(text)).status_code == 200
    deeds = world.access.book.deeds(None, 10)
    assert "locked out for" in deeds[0][1].outcome


def test_too_many_requests_are_told_to_go_slower(tmp_path: Path) -> None:
    with made_world(tmp_path, RateLimit(per_second=1.0, burst=3.0)) as world:
        url = world.url("/api/v1/alarms")
        assert [httpx.get(url).status_code for _ in range(4)] == [200, 200, 200, 429]
        answer = httpx.get(url)
        assert answer.json()["type"].endswith(":too-many-requests")
        world.harbour.clock.utc += int(answer.headers["retry-after"]) * SECOND
        assert httpx.get(url).status_code == 200


def sign_in(world: World, text: str, to: str = "", **headers: str) -> httpx.Response:
    return httpx.post(world.url(f"/sign-in{to}"), data={"token": text}, headers=headers)


def test_signing_in_opens_the_api_to_the_page(locked: tuple[World, str]) -> None:
    world, text = locked
    answer = sign_in(world, text, Origin=world.url())
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert "secure" not in cookie
    assert text not in str(answer.headers)
    with httpx.Client(base_url=world.url(), cookies=answer.cookies) as page:
        assert page.get("/api/v1/alarms").status_code == 200
        assert page.post(ACKNOWLEDGE).status_code == 403, "a cookie alone commands nothing"
        assert page.post(ACKNOWLEDGE, headers={"Origin": "http://x.example"}).status_code == 403
        assert page.post(ACKNOWLEDGE, headers={"Origin": world.url()}).status_code == 200
        assert world.core.commands[-1].who == "tablet"
        assert "tablet" in page.get("/sign-in").text
        out = page.post("/sign-out", headers={"Origin": world.url()})
        assert (out.status_code, out.headers["location"]) == (303, "/sign-in")
    old = httpx.get(world.url("/api/v1/alarms"), cookies=answer.cookies)
    assert old.status_code == 401, "the session has ended, not just the cookie"


def test_the_cookie_is_for_tls_only_behind_tls(locked: tuple[World, str]) -> None:
    world, text = locked
    answer = sign_in(world, text, **{"X-Forwarded-Proto": "https"})
    assert "secure" in answer.headers["set-cookie"].lower()


def test_a_stranger_is_shown_where_to_sign_in(locked: tuple[World, str]) -> None:
    world, _ = locked
    answer = httpx.get(world.url("/"))
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")
    form = httpx.get(world.url("/sign-in"))
    assert "<form" in form.text
    assert form.headers["referrer-policy"] == "same-origin"
    wrong = sign_in(world, "<script>")
    assert wrong.status_code == 401
    assert "<script>" not in wrong.text
    assert "set-cookie" not in wrong.headers


def test_signing_in_leads_to_the_page_that_was_asked_for_and_nowhere_else(
    locked: tuple[World, str],
) -> None:
    world, text = locked
    way = httpx.get(world.url("/log")).headers["location"]
    assert way == "/sign-in?to=%2Flog"
    assert sign_in(world, text, way.removeprefix("/sign-in")).headers["location"] == "/log"
    for elsewhere in (
        "?to=https://x.example/",
        "?to=//x.example/log",
        "?to=/api/v1/alarms",
        "?to=",
    ):
        assert sign_in(world, text, elsewhere).headers["location"] == "/"


@pytest.mark.browser
def test_a_notices_link_from_a_foreign_page_still_names_its_alarm_after_signing_in(
    locked: tuple[World, str],
) -> None:
    world, text = locked
    link = world.url(f"/#alarm={HIGH.id}")
    with browser() as window:
        window.go(link)
        window.wait_for("return location.pathname === '/sign-in'")
        window.type("#token", "wrong")
        window.click("button")
        window.wait_for_text("token", "[role=alert]")
        window.type("#token", text)
        window.click("button")
        window.wait_for("return location.href === arguments[0]", link)
        window.go("data:text/html," + quote(f'<a href="{link}">a mailbox</a>'))
        window.click("a")
        window.wait_for("return location.href === arguments[0]", link)


def test_a_session_ends_with_its_token(locked: tuple[World, str]) -> None:
    world, text = locked
    cookies = sign_in(world, text).cookies
    world.token("other", Role.VIEW)
    world.register.revoke("tablet", world.harbour.clock.utc)
    assert httpx.get(world.url("/api/v1/alarms"), cookies=cookies).status_code == 401


def test_a_session_outlives_a_restart_of_the_web_and_ends_after_a_week(
    locked: tuple[World, str],
) -> None:
    world, text = locked
    session = world.access.sign_in(text, "192.0.2.7")
    with closing(SqliteBook(world.harbour.path)) as book:
        again = Access(book, world.desk.handle, world.harbour.clock)
        found = again.by_session(session, "192.0.2.7")
        assert found is not None
        assert (found.name, found.session) == ("tablet", True)
        assert again.by_session(session[:-1], "192.0.2.7") is None
        world.harbour.clock.utc += 7 * DAY - 1
        assert again.by_session(session, "192.0.2.7") is not None
        world.harbour.clock.utc += 1
        assert again.by_session(session, "192.0.2.7") is None


def test_while_the_core_is_away_one_can_still_sign_in_and_out(locked: tuple[World, str]) -> None:
    world, text = locked

    def away(request: object) -> None:
        raise TransientError("the core does not answer")

    known = world.access.sign_in(text, "here")
    world.access.change = away
    session = world.access.sign_in(text, "here")
    assert world.access.by_session(session, "here") is not None
    world.access.sign_out(session)
    assert world.access.by_session(session, "here") is None
    cookies, mine = {"weirwatch_session": known}, {"Origin": world.url()}
    refused = httpx.post(world.url("/sign-out"), cookies=cookies, headers=mine)
    assert refused.status_code == 503
    assert "You are still signed in: the core does not answer" in refused.text
    assert world.access.by_session(known, "here") is not None
    world.harbour.clock.utc += 7 * DAY
    assert world.access.by_session(world.access.sign_in(text, "here"), "here") is not None


def test_what_is_no_digest_begins_no_session(locked: tuple[World, str]) -> None:
    world, _ = locked
    who = {"token": "x", "who": "tablet", "remote": "here"}
    with pytest.raises(ConfigError, match="hexadecimal"):
        world.desk.handle({"name": "signed-in", "session": "a page", **who})
    assert not [deed for _, deed in world.access.book.deeds(None, 10) if deed.who == "tablet"]


def test_of_too_many_sessions_those_that_end_first_go(tmp_path: Path) -> None:
    with made_world(tmp_path) as world, closing(SqliteBook(world.harbour.path)) as book:
        for number in range(SESSIONS_KEPT + 2):
            world.register.begin(Session(bytes((number // 256, number % 256)), "t", number))
        kept = [book.session(bytes((n // 256, n % 256))) for n in range(SESSIONS_KEPT + 2)]
        assert kept[:2] == [None, None]
        assert None not in kept[2:]


def test_a_huge_form_and_a_foreign_page_do_not_sign_in(locked: tuple[World, str]) -> None:
    world, text = locked
    assert sign_in(world, "x" * 70_000).status_code == 413
    assert sign_in(world, text, Origin="http://x.example").status_code == 403


@pytest.mark.parametrize(
    "cookie", ["weirwatch_session", "weirwatch_session=", "weirwatch_session=x; =;;", "\u00e9=1"]
)
def test_odd_cookies_are_no_session(locked: tuple[World, str], cookie: str) -> None:
    world, _ = locked
    answer = httpx.get(world.url("/api/v1/alarms"), headers={b"Cookie": cookie.encode()})
    assert answer.status_code == 401


def test_a_name_cannot_smuggle_a_header(locked: tuple[World, str]) -> None:
    world, text = locked
    head = (
        f"POST {ACKNOWLEDGE} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n"
        f"Authorization: Bearer {text}\r\noperator: a\r\nContent-Length: 0\r\n\r\n"
    )
    with socket.create_connection(("127.0.0.1", world.port), timeout=60) as sock:
        sock.sendall(head.encode())
        assert sock.recv(4096).split()[1] == b"200"
    assert world.core.commands[-1].who == "tablet"


@pytest.mark.parametrize(
    "path", ["/api/v1/../../etc/passwd", "/api/v1/alarms/..%2f..%2fetc%2fpasswd", "/..%2f..%2fetc"]
)
def test_no_path_leads_out(guarded: tuple[World, dict[str, str]], path: str) -> None:
    world, tokens = guarded
    with socket.create_connection(("127.0.0.1", world.port), timeout=60) as sock:
        sock.sendall(
            f"GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n"
            f"Authorization: Bearer {tokens['admin']}\r\n\r\n".encode()
        )
        answer = b"".join(iter(lambda: sock.recv(65536), b""))
    assert answer.split()[1] == b"404"
    assert b"root:" not in answer


def test_five_hundred_idle_connections_harm_nobody(
    guarded: tuple[World, dict[str, str]],
) -> None:
    world, tokens = guarded
    _allow_many_connections()  # both ends of each are open files of this process
    idle: list[socket.socket] = []
    try:
        for _ in range(500):
            idle.append(socket.create_connection(("127.0.0.1", world.port), timeout=60))
        answer = httpx.get(world.url("/api/v1/alarms"), headers=bearer(tokens["view"]))
        assert answer.status_code == 200
    finally:
        for sock in idle:
            sock.close()


async def echo(scope: Scope, receive: Receive, send: Send) -> None:
    """Stand in for the page's live connection."""
    await send({"type": "websocket.accept"})
    while True:
        message = await receive()
        if message["type"] == "websocket.disconnect":
            return
        if message["type"] == "websocket.receive":
            await send({"type": "websocket.send", "text": scope[IDENTITY].name})


def test_a_live_connection_needs_a_session_and_ends_with_its_token(
    locked: tuple[World, str],
) -> None:
    world, text = locked
    world.app.mount("/live", echo)
    address = f"ws://127.0.0.1:{world.port}/live/now"
    origin = Origin(world.url())
    with pytest.raises(InvalidStatus, match="403"):
        connect(address, origin=origin, open_timeout=60)
    cookies = "; ".join(f"{k}={v}" for k, v in sign_in(world, text).cookies.items())
    more = {"Cookie": cookies}
    with connect(address, origin=origin, additional_headers=more, open_timeout=60) as live:
        live.send("who?")
        assert live.recv(timeout=60) == "tablet"
        world.register.revoke("tablet", world.harbour.clock.utc)
        live.send("and now?")
        with pytest.raises(ConnectionClosed):
            live.recv(timeout=60)
        assert live.protocol.close_rcvd is not None
        assert live.protocol.close_rcvd.code == 1008


def test_a_command_from_the_page_is_signed_and_needs_the_right(locked: tuple[World, str]) -> None:
    world, _ = locked
    now = world.harbour.clock.utc
    viewer, _ = make_token("wall tablet", Role.VIEW, now)
    world.register.add(viewer)
    tokens = {token.name: token for token in world.register.tokens()}
    command = Command("acknowledge", HIGH.id, "somebody else")

    def core(name: str) -> SignedCore:
        token = tokens[name]
        identity = Identity(name, token.role, "192.0.2.7", token.id, session=True)
        return SignedCore(world.core, identity, world.access)

    core("tablet").command(command)
    done = world.core.commands[-1]
    assert (done.who, done.remote) == ("tablet", "192.0.2.7")
    pause = {"name": "start", "work": "feeding-pause", "who": "somebody else"}
    assert core("tablet").work(pause)["who"] == "tablet"
    assert world.core.works == [{**pause, "who": "tablet", "remote": "192.0.2.7"}]
    with pytest.raises(PermanentError, match="may only view"):
        core("wall tablet").command(command)
    with pytest.raises(PermanentError, match="may only view"):
        core("wall tablet").work(pause)
    assert len(world.core.works) == 1
    world.register.revoke("tablet", now)
    with pytest.raises(PermanentError, match="sign in"):
        core("tablet").command(command)
    assert len(world.core.commands) == 1
