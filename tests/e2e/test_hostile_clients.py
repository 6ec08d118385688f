"""Clients that mean harm, all at once, at a real service: nothing it is for suffers.

Idle and dribbling connections, readers that do not read, huge bodies and heads, paths out,
header lines in values; beside them readings go on at ten a second and an alarm is told in time.
"""

import contextlib
import itertools
import os
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from support.service import Mosquitto, Service, ended, publisher, wait_for

CONFIG = """
[service]
commit_every_s = 0.2
[broker]
url = "mqtt://127.0.0.1:{port}"
[web]
listen = "127.0.0.1:WEB_PORT"
[[system]]
id = "hall"
[[channel]]
id = "hall/node/flow"
quantity = "flow"
unit = "L/h"
[[rule]]
id = "flow-gone"
kind = "absolute"
channel = "hall/node/flow"
low = 1000
failure = "return-pump-stopped"
"""
TOPIC = "weirwatch/hall/node/readings"
IDLE = 500
READINGS = 80
COMMAND = b"POST /api/v1/alarms/flow-gone/acknowledge HTTP/1.1\r\nHost: localhost\r\n"
JSON = b"Content-Type: application/json\r\n"
SHOTS = (
    COMMAND + JSON + b"Content-Length: 900000000\r\n\r\n" + b"x" * 200_000,
    COMMAND + JSON + b"Transfer-Encoding: chunked\r\n\r\n"
    + b"FFFF\r\n" + b"x" * 65_535 + b"\r\nFFFF\r\n" + b"x" * 65_535 + b"\r\n",
    COMMAND + b"operator: a\r\n b\r\nContent-Length: 0\r\n\r\n",
    COMMAND + b"operator: a\rX-Injected: yes\r\nContent-Length: 0\r\n\r\n",
    COMMAND + b"Content-Length: 4\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
    b"GET /api/v1/alarms?state=%0d%0aX-Injected:%20yes HTTP/1.1\r\nHost: localhost\r\n\r\n",
    b"GET /api/v1/alarms HTTP/1.1\r\nHost: localhost\r\nX: " + b"y" * 500_000 + b"\r\n\r\n",
    b"GET /..%2f..%2f..%2fetc%2fpasswd HTTP/1.1\r\nHost: localhost\r\n\r\n",
    b"GET /_nicegui/../../../etc/passwd HTTP/1.1\r\nHost: localhost\r\n\r\n",
    b"GET /api/v1/channels/hall%2f..%2f..%2fnode/series HTTP/1.1\r\nHost: localhost\r\n\r\n",
    b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + os.urandom(200),
    b"\x00" * 100_000,
)  # fmt: skip


@pytest.fixture
def service(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Service]:
    made = Service(tmp_path / "s", CONFIG.format(port=mosquitto.port), web=True)
    made.start()
    yield made
    made.end()


def shoot(port: int, shot: bytes) -> bytes:
    """What the service answers, and that it ends or is ended."""
    answer = bytearray()
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 5) as sock:
        sock.settimeout(3)
        sock.sendall(shot)
        answer += sock.recv(65536)
    return bytes(answer)


def test_every_shot_is_answered_as_a_mistake(service: Service) -> None:
    wait_for(lambda: (service.get("health") or {}).get("broker", {}).get("connected"), 60)
    for shot in SHOTS:
        answer = shoot(service.web_port, shot)
        assert answer[:9] in (b"", b"HTTP/1.1 "), answer[:60]
        assert answer[9:10] in (b"", b"4"), (shot[:80], answer[:60])
        assert b"root:" not in answer
        assert b"\r\nx-injected:" not in answer.lower()
    assert wait_for(lambda: service.get("health"))["web"]["restarts"] == 0


@contextlib.contextmanager
def crowd(port: int) -> Iterator[None]:
    """Connections that say nothing, that only begin, and that never read what they asked for."""
    asked = b"GET /api/v1/events/stream?cursor=0 HTTP/1.1\r\nHost: localhost\r\n\r\n"
    with contextlib.ExitStack() as stack:
        for begun in [b"", b"", b"", b"", asked[:22]] * (IDLE // 5) + [asked] * 20:
            sock = stack.enter_context(socket.create_connection(("127.0.0.1", port), 60))
            sock.sendall(begun)
        yield


@contextlib.contextmanager
def shooting(port: int) -> Iterator[None]:
    """Two clients that send one shot after the other."""
    stop = threading.Event()
    shots = itertools.cycle(SHOTS)

    def run() -> None:
        while not stop.is_set():
            shoot(port, next(shots))

    threads = [threading.Thread(target=run, daemon=True) for _ in range(2)]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        stop.set()
        for thread in threads:
            thread.join(60)


def other_reads(port: int) -> int:
    """The status that somebody at another address is given, who is no part of their rate."""
    way = httpx.HTTPTransport(local_address="127.0.0.2")
    with httpx.Client(transport=way, timeout=60) as client:
        return client.get(f"http://127.0.0.1:{port}/api/v1/alarms").status_code


@pytest.mark.slow
@pytest.mark.broker
@pytest.mark.timeout(300)
def test_ingest_alarms_and_other_readers_go_on(service: Service, mosquitto: Mosquitto) -> None:
    wait_for(lambda: (service.get("health") or {}).get("broker", {}).get("connected"), 60)
    mosquitto.wait_for_service()
    node = publisher(mosquitto.port, "node")
    try:
        with crowd(service.web_port), shooting(service.web_port):
            for sent in range(READINGS):
                node.publish(TOPIC, f'[{{"n":"flow","v":{2000 + sent}}}]', qos=1)
                if sent % 10 == 0:
                    assert other_reads(service.web_port) == 200
                time.sleep(0.1)
            node.publish(TOPIC, '[{"n":"flow","v":0}]', qos=1)
            wait_for(lambda: service.query("SELECT 1 FROM event WHERE kind = 'raised'"), 30)
    finally:
        ended(node)
    wait_for(lambda: len(service.readings("hall/node/flow")) == READINGS + 1)
    health = wait_for(lambda: service.get("health"))
    assert (health["status"], health["problems"]) == ("ok", [])
    assert health["web"]["restarts"] == 0
    assert service.stop() == 0
