"""A drill against the running service over a real mosquitto: told as a drill, stored nowhere."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from support.need import need
from support.service import Mosquitto, Service, wait_for

from weirwatch.control.client import ControlClient
from weirwatch.domain.errors import IllegalCommand

DEMO = Path(__file__).resolve().parents[2] / "deploy" / "harbour-hall.toml"
PUMP = 'off_delay_s = 60\nfailure = "return-pump-stopped"'
SILENCE = "silent = true\non_delay_s = 285\n"
FLOOR = "weirwatch/harbour-hall/power-node/readings"


def config_of(port: int) -> str:
    text = DEMO.read_text(encoding="utf-8")
    for old, new in (
        ('data_dir = "../data/demo"', 'data_dir = "data"\ncommit_every_s = 0.2'),
        ('url = "auto"', f'url = "mqtt://127.0.0.1:{port}"'),
        ("127.0.0.1:8080", "127.0.0.1:WEB_PORT"),
        ('id = "console"\nkind = "console"', 'id = "file"\nkind = "file"\npath = "notices.jsonl"'),
        # Eleven minutes outlast a feeding pause; here nobody is fed.
        ("on_delay_s = 630  #", "on_delay_s = 300  #"),
        (f"on_delay_s = 660\n{PUMP}", f"on_delay_s = 330\n{PUMP}"),
    ):
        assert old in text
        text = text.replace(old, new, 1)
    # At sixty times real time, 285 s of silence are less than five of a machine that is busy.
    assert text.count(SILENCE) > 5
    return text.replace(SILENCE, "silent = true\non_delay_s = 1800\n")


@pytest.fixture
def service(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Service]:
    service = Service(tmp_path / "service", config_of(mosquitto.port))
    try:
        service.start()
        wait_for(lambda: service.health().get("broker", {}).get("connected"))
        mosquitto.wait_for_service()
        yield service
        assert service.stop() == 0
    finally:
        service.end()


def core(service: Service) -> ControlClient:
    return ControlClient(service.folder / "data" / "control.sock")


def drill(service: Service, *words: str) -> "subprocess.Popen[str]":
    argv = [sys.executable, "-m", "weirwatch.cli", "drill", *words, "--live", "--json"]
    return subprocess.Popen(
        [*argv, "--config", str(service.config), "--who", "keeper"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ,
    )


def drill_events(service: Service) -> list[str]:
    return [kind for (kind,) in service.query("SELECT kind FROM event WHERE drill = 1")]


@pytest.mark.slow
@pytest.mark.broker
@pytest.mark.timeout(1500)
def test_a_live_drill_from_its_first_notice_to_the_alarm_that_ends_it(
    mosquitto: Mosquitto, service: Service
) -> None:
    playing = drill(service, "return-pump-stopped", "--speed", "60")
    shown = wait_for(lambda: service.health().get("drill"))
    assert (shown["failure"], shown["who"]) == ("return-pump-stopped", "keeper")
    assert shown["ends_at"] > shown["started_at"]
    with pytest.raises(IllegalCommand, match="under way already"):
        core(service).drill(request("floor-leak", shown["started_at"]))
    said, trouble = playing.communicate(timeout=600)
    assert playing.returncode == 0, (said, trouble)
    told = json.loads(said)
    assert told["passed"] is True
    assert told["result"]["runs"][0]["first_alarm"] == "return-pump-stopped"
    assert told["result"]["runs"][0]["detected_s"] == pytest.approx(330, abs=30)
    assert all(event["drill"] for event in told["events"])

    # Everybody was told, and nobody can take any of it for real.
    over = "DRILL over: ended by keeper"
    wait_for(lambda: [n for n in service.notices() if n["text"].startswith(over)])
    notices = service.notices()
    assert all(notice["text"].startswith("DRILL") for notice in notices)
    assert notices[0]["text"].startswith("DRILL begins, nothing is wrong")
    alarms = [notice for notice in notices if "alarm" in notice]
    assert alarms[0]["alarm"]["id"] == "return-pump-stopped"
    assert alarms[0]["text"].startswith("DRILL, nothing is wrong: ")
    assert all(n["drill"] is True and n["id"].startswith("drill-") for n in alarms)
    assert notices[-1]["text"].startswith(over)

    # The real record has the drill's beginning and end, and nothing else of it.
    assert drill_events(service) == ["drill-started", "drill-ended"]
    assert service.query("SELECT count(*) FROM event WHERE rule <> '' AND annunciated") == [(0,)]
    assert service.query("SELECT count(*) FROM reading") == [(0,)]
    assert service.query("SELECT count(*) FROM alarm WHERE state <> 'normal'") == [(0,)]
    wait_for(lambda: not (service.folder / "data" / "drill").exists())
    wait_for(lambda: retained(mosquitto, "weirwatch-drill/#") == "")

    # A real alarm during a drill ends it, and sounds as real.
    playing = drill(service, "return-pump-stopped")
    wait_for(lambda: service.health().get("drill"))
    mosquitto.publish(FLOOR, '[{"n":"floor-dry","vb":false}]')
    said, trouble = playing.communicate(timeout=300)
    assert playing.returncode == 1, trouble
    told = json.loads(said)
    assert (told["passed"], told["drill"]["by_alarm"]) == (False, True)
    wait_for(lambda: drill_events(service)[2:] == ["drill-started", "drill-aborted"])
    real = wait_for(lambda: [n for n in service.notices() if n["text"].startswith("CRITICAL: ")])
    assert real[0]["alarm"]["id"] == "floor-leak"
    ended = "DRILL ENDED by a real alarm: Water on the floor"
    wait_for(lambda: [n for n in service.notices() if n["text"].startswith(ended)])

    # While it is open there is no drill.
    refused = drill(service, "floor-leak")
    _, why = refused.communicate(timeout=300)
    assert refused.returncode == 1
    assert "no drill while a real alarm is open: floor-leak" in why
    assert wait_for(service.health)["drill"] is None


def request(failure: str, plant_time: str) -> dict[str, Any]:
    return {
        "name": "start",
        "failure": failure,
        "minutes": 1,
        "speed": 1,
        "plant_time": plant_time,
        "unfed": [],
    }


def retained(mosquitto: Mosquitto, topics: str) -> str:
    heard = subprocess.run(
        [need("mosquitto_sub"), "-p", str(mosquitto.port), "-t", topics, "-v", "-W", "1"],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return heard.stdout
