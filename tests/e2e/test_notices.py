"""Notices of a real service: killed between send and mark, and given up while others hear of it."""

import json
import time
from collections import Counter
from pathlib import Path

import pytest
from support.receivers import Posted, http_receiver
from support.service import Mosquitto, Service, ended, publisher, wait_for

CONFIG = """
[service]
commit_every_s = 0.2
[broker]
url = "mqtt://127.0.0.1:{port}"
[[system]]
id = "hall"
[[channel]]
id = "hall/node/level"
quantity = "level"
unit = "mm"
[[rule]]
id = "level-high"
title = "Level high"
kind = "absolute"
channel = "hall/node/level"
high = 500
priority = "critical"
failure = "sump-high"
[[recipient]]
id = "hook"
kind = "webhook"
url = "{url}"
[[recipient]]
id = "record"
kind = "file"
path = "notices.jsonl"
"""
TOPIC = "weirwatch/hall/node/readings"


@pytest.mark.broker
@pytest.mark.slow
@pytest.mark.timeout(900)
def test_killed_between_send_and_mark_the_receivers_log_has_each_id(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    with http_receiver() as receiver:
        config = CONFIG.format(port=mosquitto.port, url=receiver.url)
        service = Service(tmp_path / "service", config)
        killed_at: list[str] = []

        def kill_sometimes(posted: Posted) -> None:
            # The notice has arrived, its sender has no answer yet: it cannot have marked it.
            number = len(receiver.posted)
            if number in (2, 5, 6, 11, 17):
                killed_at.append(posted.headers["Idempotency-Key"])
                service.kill()

        receiver.before_answer = kill_sometimes
        client = publisher(mosquitto.port, "numbers")
        try:
            service.start()
            high, ends = False, time.monotonic() + 500
            while len(killed_at) < 5:
                assert time.monotonic() < ends, (killed_at, len(receiver.posted))
                if service.process is not None and service.process.poll() is not None:
                    service.start()
                high = not high
                record = [{"n": "level", "v": 900 if high else 100}]
                client.publish(TOPIC, json.dumps(record), qos=1).wait_for_publish(60)
                time.sleep(0.15)
            receiver.before_answer = lambda _: None
            service.process.wait(60) if service.process else None
            service.start()
            pending = "SELECT count(*) FROM notice WHERE state = 'pending'"
            wait_for(lambda: service.query(pending) == [(0,)], 120)
            assert service.stop() == 0
        finally:
            ended(client)
            service.end()

        arrived = Counter(posted.headers["Idempotency-Key"] for posted in receiver.posted)
        owed = {
            ident for (ident,) in service.query("SELECT id FROM notice WHERE recipient = 'hook'")
        }
        folded = {
            ident for (ident,) in service.query("SELECT id FROM notice WHERE state = 'folded'")
        }
        assert set(arrived) == owed - folded
        # Twice under one id only where it was killed, and then with the same words.
        assert {ident for ident, times in arrived.items() if times > 1} == set(killed_at)
        texts: dict[str, str] = {}
        for posted in receiver.posted:
            ident, text = posted.headers["Idempotency-Key"], json.loads(posted.body)["data"]["text"]
            assert texts.setdefault(ident, text) == text
        states = service.query("SELECT DISTINCT state FROM notice WHERE recipient = 'hook'")
        assert {state for (state,) in states} <= {"delivered", "folded"}


@pytest.mark.broker
@pytest.mark.slow
def test_a_dead_letter_is_told_through_another_way(tmp_path: Path, mosquitto: Mosquitto) -> None:
    with http_receiver() as receiver:
        receiver.answers = [(404, {}) for _ in range(100)]
        config = CONFIG.format(port=mosquitto.port, url=receiver.url)
        service = Service(tmp_path / "service", config)
        try:
            service.start()
            wait_for(lambda: service.query("SELECT 1 FROM event WHERE kind = 'broker-connected'"))
            mosquitto.publish(TOPIC, json.dumps([{"n": "level", "v": 900}]))

            def undeliverable() -> list[str]:
                texts = [str(notice["text"]) for notice in service.notices()]
                return [text for text in texts if "Notice not delivered" in text]

            (text,) = wait_for(undeliverable)
            assert text.startswith("HIGH: Notice not delivered")
            assert "was given up: webhook of hook: answered 404" in text
            # The notice of it cannot be delivered to the hook either: no circle.
            given_up = "SELECT count(*) FROM notice WHERE state = 'given-up'"
            wait_for(lambda: service.query(given_up) == [(2,)])
            time.sleep(2)
            assert service.query(given_up) == [(2,)]
            assert len(undeliverable()) == 1
            assert service.stop() == 0
        finally:
            service.end()
