"""API and page in one application: the page takes nothing of the API, the guard is around both."""

import socket

import httpx
import pytest
from starlette.responses import PlainTextResponse
from starlette.types import Receive, Scope, Send
from support.serving import serving
from support.web_harbour import HIGH
from support.web_world import World

pytestmark = pytest.mark.usefixtures("fresh_world")


async def page(scope: Scope, receive: Receive, send: Send) -> None:
    """Stand in for whatever is mounted at `/`: it answers everything."""
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.accept"})
        await send({"type": "websocket.close"})
    else:
        await PlainTextResponse("the page")(scope, receive, send)


@pytest.fixture
def mounted(fresh_world: World) -> World:
    fresh_world.app.mount("/", page)
    return fresh_world


def test_a_page_at_the_root_takes_nothing_of_the_api(mounted: World, api: httpx.Client) -> None:
    root = f"http://127.0.0.1:{mounted.port}"
    assert httpx.get(f"{root}/").text == "the page"
    assert httpx.get(f"{root}/anything").text == "the page"
    assert api.get("alarms").status_code == 200
    assert api.get("nothing").json()["type"].endswith(":not-found")
    assert api.get("/api/v9/x").json()["type"].endswith(":not-found")
    refused = api.delete(f"alarms/{HIGH.id}/shelve")
    assert (refused.status_code, refused.headers["allow"]) == (405, "POST")


@pytest.mark.parametrize("path", ["alarms", "channels", "nothing", "/sta/v1.1/Things"])
def test_head_is_get_without_the_body(mounted: World, api: httpx.Client, path: str) -> None:
    """RFC 9110 section 9.3.2."""
    whole, head = api.get(path), api.head(path)
    assert head.status_code == whole.status_code
    assert head.content == b""
    same = ("content-length", "content-type", "etag")
    assert [head.headers.get(name) for name in same] == [whole.headers.get(name) for name in same]


def test_a_stream_without_end_has_no_head(mounted: World, api: httpx.Client) -> None:
    answer = api.head("events/stream")
    assert (answer.status_code, answer.headers["allow"]) == (405, "GET")


def test_the_page_has_its_own_content_policy(mounted: World) -> None:
    policy = httpx.get(f"http://127.0.0.1:{mounted.port}/").headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "http" not in policy, "nothing is loaded from elsewhere"


@pytest.mark.parametrize(
    ("host", "origin", "status"),
    [
        ("localhost:{port}", "http://localhost:{port}", 101),
        ("127.0.0.1:{port}", "http://127.0.0.1:{port}", 101),
        ("localhost:{port}", "http://rebound.example", 403),
        ("localhost:{port}", "http://127.0.0.1:{port}", 403),
        ("rebound.example", "http://rebound.example", 403),
    ],
)
def test_a_web_socket_is_opened_by_our_own_page_only(
    mounted: World, host: str, origin: str, status: int
) -> None:
    head = (
        f"GET /live HTTP/1.1\r\nHost: {host}\r\nOrigin: {origin}\r\nUpgrade: websocket\r\n"
        "Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"  # the key of RFC 6455, 1.3
    ).format(port=mounted.port)
    with socket.create_connection(("127.0.0.1", mounted.port), timeout=60) as sock:
        sock.sendall(head.replace("{port}", str(mounted.port)).encode())
        answer = sock.recv(4096)
    assert int(answer.split()[1]) == status


def test_an_application_can_be_served_again(fresh_world: World) -> None:
    """Two servers after one another on the same parts: nothing global is left behind."""
    from weirwatch.web.app import create_app

    harbour = fresh_world.harbour
    again = create_app(
        harbour.settings, harbour.archive, fresh_world.core, harbour.catalogue, harbour.clock
    )
    with serving(again) as port:
        assert httpx.get(f"http://127.0.0.1:{port}/api/v1/alive").json()["alive"] is True
