"""kill -9 of the service at random moments, while numbered readings flow through a mosquitto."""

import json
import random
import threading
import time
from pathlib import Path

import pytest
from support.service import Mosquitto, Service, ended, publisher, wait_for

from weirwatch.config import load
from weirwatch.domain.alarm import Event
from weirwatch.domain.book import make_ready
from weirwatch.domain.reading import Reading
from weirwatch.domain.rule import RuleBook
from weirwatch.pipeline.replay import replay

CONFIG = """
[service]
commit_every_s = 0.3
[broker]
url = "mqtt://127.0.0.1:{port}"
[[system]]
id = "hall"
title = "Hall"
[[channel]]
id = "hall/node/level"
quantity = "level"
unit = "mm"
[[rule]]
id = "level-high"
title = "Level high"
kind = "absolute"
channel = "hall/node/level"
high = 900
deadband = 100
priority = "high"
failure = "sump-high"
response = "Look."
[[rule]]
id = "level-low"
title = "Level low"
kind = "absolute"
channel = "hall/node/level"
low = 50
latching = true
priority = "high"
failure = "sump-low"
response = "Look."
[[rule]]
id = "service-was-down"
kind = "system"
priority = "high"
[[recipient]]
id = "file"
kind = "file"
path = "notices.jsonl"
"""


def value(number: int) -> float:
    """A saw-tooth from 0 to 999 that crosses both limits every 1000 readings."""
    return float(number * 7 % 1000)


def flow(port: int, done: threading.Event, times: list[int]) -> None:
    client = publisher(port, "numbers")
    while not done.is_set():
        times.append(max(time.time_ns() // 1_000_000 * 1000, times[-1] + 1000 if times else 0))
        number = len(times)
        record = [{"n": "level", "t": times[-1] / 1e6, "v": value(number)}]
        info = client.publish("weirwatch/hall/node/readings", json.dumps(record), qos=1)
        if number % 50 == 0:
            info.wait_for_publish(60)
        time.sleep(0.004)
    info.wait_for_publish(60)
    ended(client)


@pytest.mark.broker
@pytest.mark.slow
@pytest.mark.timeout(1200)
def test_fifty_kills_lose_nothing_and_repeat_nothing(tmp_path: Path, mosquitto: Mosquitto) -> None:
    service = Service(tmp_path / "service", CONFIG.format(port=mosquitto.port))
    done, times = threading.Event(), list[int]()
    source = threading.Thread(target=flow, args=(mosquitto.port, done, times))
    try:
        service.start()
        wait_for(lambda: connections(service) == 1, 60)
        mosquitto.wait_for_service()
        source.start()
        kill_fifty_times(service)
        wait_for(lambda: len(times) > 2000, 300)  # enough to have crossed each limit often
        done.set()
        source.join()
        wait_for(lambda: service.readings("hall/node/level", times[-1]), 120)
        pending = "SELECT count(*) FROM notice WHERE state = 'pending'"
        wait_for(lambda: service.query(pending) == [(0,)], 60)
        assert service.stop() == 0
    finally:
        done.set()
        service.end()

    stored = [(r.time, r.value) for r in service.readings("hall/node/level")]
    assert stored == [(t, value(n)) for n, t in enumerate(times, 1)]
    assert service.query("PRAGMA integrity_check") == [("ok",)]

    kept = service.query(
        "SELECT time, kind, rule, from_state, to_state, value, annunciated FROM event"
        " WHERE rule IN ('level-high', 'level-low') ORDER BY seq"
    )
    expected = uninterrupted(service.config, times)
    assert [tuple(row) for row in kept] == [
        (e.time, e.kind, e.rule, e.from_state, e.to_state, e.value, e.annunciated) for e in expected
    ]
    assert service.query("SELECT rule, state FROM alarm WHERE rule LIKE 'level%' ORDER BY 1") == [
        (rule, [e.to_state for e in expected if e.rule == rule][-1])
        for rule in ("level-high", "level-low")
    ]
    check_notices(service)


def connections(service: Service) -> int:
    rows = service.query("SELECT count(*) FROM event WHERE kind = 'broker-connected'")
    return int(rows[0][0]) if rows else 0


def kill_fifty_times(service: Service) -> None:
    """Four of five kills find the service at work, the fifth at any moment of its start."""
    chance = random.Random(20261125)
    before = 0  # connections of those that were killed
    for number in range(50):
        if number % 5:
            wait_for(lambda before=before: connections(service) > before, 120, 0.02)
            time.sleep(chance.uniform(0.0, 0.7))
        else:
            time.sleep(chance.uniform(0.05, 1.2))
        service.kill()
        before = connections(service)
        service.start()


def uninterrupted(config: Path, times: list[int]) -> list[Event]:
    """What one run without any kill decides, by the same engine in virtual time."""
    settings = load(config)
    book = make_ready(
        RuleBook(
            {rule.id: rule for rule in settings.rules},
            {channel.id: channel for channel in settings.channels},
            settings.service.time_zone,
        )
    )
    readings = [Reading("hall/node/level", t, value(n)) for n, t in enumerate(times, 1)]
    return [e for e in replay(book, readings, [], None) if isinstance(e, Event)]


def check_notices(service: Service) -> None:
    """Every annunciation was delivered; the same notice twice has the same id and words.

    All are of high priority: in an alarm flood they are told singly.
    """
    owed = service.query("SELECT seq FROM event WHERE annunciated = 1")
    told: dict[str, str] = {}
    for notice in service.notices():
        assert told.setdefault(notice["id"], notice["text"]) == notice["text"]
    assert set(told) == {f"{seq}-file" for (seq,) in owed}
