"""The whole path with a real mosquitto and mosquitto_pub, a peer none of us wrote."""

import json
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from support.service import Mosquitto, Service, wait_for

CONFIG = """
[service]
commit_every_s = 0.2
[broker]
url = "mqtt://127.0.0.1:{port}"
[web]
listen = "127.0.0.1:WEB_PORT"
[[system]]
id = "hall"
title = "Hall"
[[channel]]
id = "hall/node/level"
quantity = "level"
unit = "mm"
[[channel]]
id = "hall/node/temperature"
quantity = "temperature"
unit = "Cel"
[[channel]]
id = "hall/garden/float"
quantity = "switch"
[[channel]]
id = "hall/garden/flow"
quantity = "flow"
unit = "L/h"
[[tap]]
topic = "cellar/float"
channel = "hall/garden/float"
words = {{ closed = 0, open = 1 }}
[[tap]]
topic = "cellar/flow"
channel = "hall/garden/flow"
[[rule]]
id = "float-open"
title = "High float is up"
kind = "absolute"
channel = "hall/garden/float"
is = true
failure = "sump-high"
response = "Look."
[[rule]]
id = "level-high"
title = "Level high"
kind = "absolute"
channel = "hall/node/level"
high = 310
deadband = 10
failure = "sump-high"
response = "Look."
[[recipient]]
id = "file"
kind = "file"
path = "notices.jsonl"
"""
READINGS = "weirwatch/hall/node/readings"


@pytest.fixture
def service(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Service]:
    service = Service(tmp_path / "service", CONFIG.format(port=mosquitto.port), web=True)
    service.start()
    wait_for(lambda: (service.get("health") or {}).get("broker", {}).get("connected"), 60)
    yield service
    assert service.stop() == 0


@pytest.mark.broker
@pytest.mark.timeout(300)
def test_what_a_foreign_peer_publishes_is_seen_everywhere(
    mosquitto: Mosquitto, service: Service
) -> None:
    def items(path: str) -> list[dict[str, object]]:
        return list((service.get(path) or {"items": []})["items"])

    # SenML with base fields (RFC 8428), another unit than the channel's, and a plain number.
    pack = [
        {"bn": "level", "bu": "m", "v": 0.3215},
        {"bn": "temperature", "bu": "K", "v": 298.65},
    ]
    mosquitto.publish(READINGS, json.dumps(pack))
    mosquitto.publish("cellar/flow", "812.5")
    mosquitto.publish("cellar/float", "OPEN")
    wait_for(lambda: len([c for c in items("channels") if c["value"] is not None]) == 4)
    newest = {c["id"]: c["value"] for c in items("channels")}
    assert newest["hall/node/level"] == pytest.approx(321.5)
    assert newest["hall/node/temperature"] == pytest.approx(25.5)
    assert newest["hall/garden/flow"] == 812.5

    standing = {a["id"]: a for a in items("alarms?state=unacknowledged")}
    assert set(standing) == {"float-open", "level-high"}
    assert standing["level-high"]["raised_value"] == pytest.approx(321.5)
    card = standing["level-high"]["safety_card"]
    assert isinstance(card, dict)
    assert card["first_line"].startswith("Stay out if the floor is wet.")

    series = service.get("channels/hall/node/level/series?points=10")
    assert series is not None
    assert [b["count"] for b in series["items"]] == [1]

    # Garbage of every kind is quarantined under its own word; nothing else moves.
    garbage = [
        (READINGS, "not json at all"),
        (READINGS, '[{"n":"level","v":"high"}]'),
        (READINGS, '[{"n":"level","v":NaN}]'),
        (READINGS, '[{"n":"level","u":"Cel","v":20}]'),
        (READINGS, '[{"n":"nobody","v":1}]'),
        (READINGS, '[{"n":"level","t":4102444800,"v":300}]'),
        (READINGS, '[{"n":"level","t":268435456,"v":300}]'),
        ("cellar/flow", "a lot"),
        ("cellar/float", "ajar"),
    ]
    before = service.get("health")["counts"]["readings"]
    for topic, payload in garbage:
        mosquitto.publish(topic, payload)
    binary = service.folder / "binary"
    binary.write_bytes(bytes(range(256)) * 8)
    mosquitto.publish(READINGS, "", "-f", str(binary))
    binary.write_bytes(b"[" + b'{"n":"level","v":1},' * 20_000 + b'{"n":"level","v":1}]')
    mosquitto.publish(READINGS, "", "-f", str(binary))
    rows = "SELECT topic, code, reason FROM quarantine ORDER BY id"
    kept = wait_for(lambda: len(service.query(rows)) >= len(garbage) + 2 and service.query(rows))
    assert len(kept) == len(garbage) + 2 == service.get("health")["counts"]["quarantined"]
    assert all(code and len(reason) > 20 for _, code, reason in kept)
    assert {code for _, code, _ in kept} >= {"unknown-channel", "wrong-unit", "in-the-future"}
    assert service.get("health")["counts"]["readings"] == before
    assert service.get("health")["status"] == "ok"

    # Acknowledge as a home tool would, then let it return.
    answer = httpx.post(
        f"http://127.0.0.1:{service.web_port}/api/v1/alarms/level-high/acknowledge",
        json={"comment": "on it"},
        headers={"operator": "keeper"},
    )
    assert answer.status_code == 200
    assert answer.json()["state"] == "acknowledged"
    mosquitto.publish(READINGS, '[{"n":"level","v":300}]')
    wait_for(lambda: (service.get("alarms/level-high") or {}).get("state") == "normal")
    events = [(e["rule"], e["kind"], e["who"] or "") for e in items("events") if e["rule"]]
    assert [e for e in events if e[0] == "level-high"] == [
        ("level-high", "raised", ""),
        ("level-high", "acknowledged", "keeper"),
        ("level-high", "returned", ""),
    ]
    told = wait_for(lambda: len(service.notices()) == 2 and service.notices())
    assert {n["alarm"]["id"] for n in told} == {"float-open", "level-high"}
