"""The independent watcher against a real service and a real mosquitto, with default settings."""

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.receivers import http_receiver
from support.service import Mosquitto, Service, wait_for

SERVICE = """
[broker]
url = "mqtt://127.0.0.1:{port}"
[web]
listen = "127.0.0.1:WEB_PORT"
[[system]]
id = "hall"
[[channel]]
id = "hall/node/level"
quantity = "level"
unit = "mm"
"""
WATCHER = """
[farwatch]
title = "Harbour Hall"
{api}
[broker]
url = "mqtt://127.0.0.1:{port}"
[[recipient]]
id = "keeper"
kind = "file"
path = "far.jsonl"
{more}
"""


class Far:
    """`weirwatch farwatch` as a process of its own."""

    def __init__(self, folder: Path, port: int, api: str, more: str = "") -> None:
        folder.mkdir()
        self.folder = folder
        (folder / "farwatch.toml").write_text(WATCHER.format(port=port, api=api, more=more))
        self.start()

    def start(self) -> None:
        argv = [sys.executable, "-m", "weirwatch.cli", "farwatch", "--config"]
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [*argv, str(self.folder / "farwatch.toml")], stdout=log, stderr=log
            )

    def stop(self) -> None:
        self.process.terminate()
        assert self.process.wait(60) == 0, (self.folder / "log").read_text()

    def end(self) -> None:
        """End it, whatever became of the test."""
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(60)

    def told(self) -> list[str]:
        path = self.folder / "far.jsonl"
        text = path.read_text() if path.exists() else ""
        lines = [json.loads(line) for line in text.splitlines(keepends=True) if line[-1] == "\n"]
        return [str(line["text"]).split("\n")[0] for line in lines]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    made = Mosquitto(tmp_path / "broker")
    yield made
    made.stop()


@pytest.fixture
def site(tmp_path: Path, broker: Mosquitto) -> Iterator[Service]:
    made = Service(tmp_path / "site", SERVICE.format(port=broker.port), web=True)
    made.start()
    try:
        wait_for(lambda: made.get("health"), 60)
        yield made
    finally:
        made.stop()


@pytest.fixture
def far(tmp_path: Path, broker: Mosquitto, site: Service) -> Iterator[Far]:
    made = Far(tmp_path / "far", broker.port, f'api = "http://127.0.0.1:{site.web_port}"')
    try:
        yield made
    finally:
        made.end()


@pytest.mark.broker
@pytest.mark.slow
def test_killed_started_and_stopped_on_purpose(site: Service, far: Far) -> None:
    time.sleep(15)
    assert far.told() == []

    site.kill()
    (first,) = wait_for(far.told)  # how soon: tests/domain/test_farwatch.py
    assert first.startswith("CRITICAL: Weirwatch lost (Harbour Hall): the service ended")

    site.start()
    wait_for(lambda: len(far.told()) == 2, 120)
    assert far.told()[1].startswith("Returned to normal: CRITICAL: Weirwatch lost (Harbour Hall)")

    far.stop()
    far.start()  # it knows what it has told
    time.sleep(10)
    assert site.stop() == 0
    time.sleep(20)
    assert len(far.told()) == 2, far.told()  # a planned stop is no failure
    far.stop()


@pytest.mark.broker
@pytest.mark.slow
def test_a_killed_broker(broker: Mosquitto, far: Far) -> None:
    time.sleep(8)
    broker.kill()
    (first,) = wait_for(far.told)
    assert first.startswith("HIGH: Broker lost (Harbour Hall): the API answers")
    broker.start()
    wait_for(lambda: len(far.told()) == 2, 120)
    assert far.told()[1].startswith("Returned to normal: HIGH: Broker lost")
    far.stop()


@pytest.mark.broker
@pytest.mark.slow
def test_the_watcher_gives_signs_of_life_itself(tmp_path: Path, broker: Mosquitto) -> None:
    with http_receiver() as receiver:
        more = f'[heartbeat]\nurl = "{receiver.url}"\nevery_s = 5\n'
        far = Far(tmp_path / "far", broker.port, "", more)
        try:
            wait_for(lambda: receiver.posted)
            event = json.loads(receiver.posted[0].body)
            assert event["type"] == "org.weirwatch.heartbeat"
            assert event["source"] == "/weirwatch/farwatch"
            far.stop()
        finally:
            far.end()
