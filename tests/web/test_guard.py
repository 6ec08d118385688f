"""Only this machine and only our own page are served; the rest is refused before it is read."""

import socket

import httpx
import pytest
from support.web_harbour import HIGH, FakeCore

from weirwatch.web.guard import MAX_BODY, is_loopback_host

ACKNOWLEDGE = f"alarms/{HIGH.id}/acknowledge"


@pytest.mark.parametrize(
    ("host", "ours"),
    [
        ("localhost", True),
        ("LocalHost:8080", True),
        ("127.0.0.1", True),
        ("127.0.0.1:8080", True),
        ("127.9.9.9:1", True),
        ("[::1]", True),
        ("[::1]:8080", True),
        ("", False),
        ("example.com", False),
        ("localhost.example.com", False),
        ("127.0.0.1.example.com", False),
        ("localhost:8080:9", False),
        ("localhost:x", False),
        ("user@localhost", False),
        ("192.168.1.7:8080", False),
        ("0.0.0.0", False),
        ("[::]", False),
        ("[fe80::1]:8080", False),
        ("127.1", False),
        ("2130706433", False),
        ("localhost/", False),
    ],
)
def test_which_hosts_are_this_machine(host: str, ours: bool) -> None:
    assert is_loopback_host(host) is ours


@pytest.mark.parametrize("path", ["alarms", "alive", "nothing", "/"])
def test_a_foreign_host_is_refused_everywhere(api: httpx.Client, path: str) -> None:
    answer = api.get(path, headers={"Host": "rebound.example"})
    assert answer.status_code == 403
    assert answer.json()["type"] == "urn:weirwatch:problem:foreign-host"


@pytest.mark.parametrize(
    "request_head",
    [
        b"GET /api/v1/alarms HTTP/1.0\r\n\r\n",
        b"GET /api/v1/alarms HTTP/1.1\r\nHost: localhost\r\nHost: rebound.example\r\n\r\n",
        b"GET http://rebound.example/api/v1/alarms HTTP/1.1\r\nHost: rebound.example\r\n\r\n",
    ],
)
def test_no_host_or_two_are_refused(port: int, request_head: bytes) -> None:
    with socket.create_connection(("127.0.0.1", port), timeout=60) as sock:
        sock.sendall(request_head)
        status = int(sock.recv(4096).split()[1])
    assert status in (400, 403)


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://rebound.example"},
        {"Origin": "null"},
        {"Origin": "http://localhost:1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_a_command_from_a_foreign_page_is_refused(
    api: httpx.Client, core: FakeCore, headers: dict[str, str]
) -> None:
    answer = api.post(ACKNOWLEDGE, headers=headers)
    assert answer.status_code == 403
    assert answer.json()["type"] == "urn:weirwatch:problem:foreign-origin"
    assert core.commands == []


def test_a_command_from_our_own_page_is_done(api: httpx.Client, port: int, core: FakeCore) -> None:
    headers = {"Origin": f"http://127.0.0.1:{port}", "Sec-Fetch-Site": "same-origin"}
    assert api.post(ACKNOWLEDGE, headers=headers).status_code == 200
    assert len(core.commands) == 1


def test_a_huge_body_is_refused_with_or_without_its_length(
    api: httpx.Client, core: FakeCore
) -> None:
    json_type = {"content-type": "application/json"}
    body = b'{"comment": "' + b"x" * MAX_BODY + b'"}'
    told = api.post(ACKNOWLEDGE, content=body, headers=json_type)
    chunked = api.post(ACKNOWLEDGE, content=iter([body]), headers=json_type)
    for answer in (told, chunked):
        assert answer.status_code == 413
        assert answer.json()["type"] == "urn:weirwatch:problem:too-large"
    assert core.commands == []


@pytest.mark.parametrize("kind", ["application/x-www-form-urlencoded", "text/plain", ""])
def test_a_body_must_say_that_it_is_json(api: httpx.Client, core: FakeCore, kind: str) -> None:
    answer = api.post(ACKNOWLEDGE, content=b'{"comment": "x"}', headers={"content-type": kind})
    assert answer.status_code == 415
    assert "Content-Type: application/json" in answer.json()["detail"]
    assert core.commands == []


@pytest.mark.parametrize("path", ["alarms", "nothing", "alarms/kraken"])
def test_every_answer_has_the_security_headers(api: httpx.Client, path: str) -> None:
    headers = api.get(path).headers
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-frame-options"] == "DENY"
    assert headers["referrer-policy"] == "no-referrer"
    kept = "private, no-cache" if path == "alarms" else "no-store"  # an ETag may spare its body
    assert headers["cache-control"] == (kept if path != "alarms/kraken" else "no-store")
    assert headers["content-security-policy"].startswith("default-src 'none'")
    assert "access-control-allow-origin" not in headers
    assert "server" not in headers or headers["server"] == "uvicorn"
