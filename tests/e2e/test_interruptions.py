"""The service killed while an alarm stands, the web killed and hung, the broker gone."""

import os
import re
import signal
import time
from pathlib import Path
from typing import Any

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
id = "hall/node/flow"
quantity = "flow"
unit = "L/h"
[[rule]]
id = "flow-gone"
title = "Return flow gone"
kind = "absolute"
channel = "hall/node/flow"
low = 1000
deadband = 100
on_delay_s = 2
failure = "return-pump-stopped"
response = "Look."
[[rule]]
id = "broker-lost"
kind = "system"
on_delay_s = 1
[[recipient]]
id = "file"
kind = "file"
path = "notices.jsonl"
"""
FLOW = "weirwatch/hall/node/readings"
STOPPED = '[{"n":"flow","v":0}]'


def state_of(service: Service, rule: str) -> str:
    rows = service.query("SELECT state FROM alarm WHERE rule = ?", rule)
    return str(rows[0][0]) if rows else ""


def told_of(service: Service, *rules: str) -> list[dict[str, Any]]:
    """The notices of these rules. A loaded machine may tell of others too, as of broker-lost when
    it takes longer than a second to connect.
    """
    return [notice for notice in service.notices() if notice["alarm"]["id"] in rules]


def connected(service: Service) -> bool:
    kinds = service.query(
        "SELECT kind FROM event WHERE kind LIKE 'broker-%connected' ORDER BY seq DESC LIMIT 1"
    )
    return kinds == [("broker-connected",)]


@pytest.mark.slow
@pytest.mark.broker
@pytest.mark.timeout(300)
def test_an_acknowledged_alarm_stays_so_over_kill_9(tmp_path: Path, mosquitto: Mosquitto) -> None:
    service = Service(tmp_path / "s", CONFIG.format(port=mosquitto.port), web=True)
    service.start()
    wait_for(lambda: (service.get("health") or {}).get("broker", {}).get("connected"), 60)
    mosquitto.publish(FLOW, STOPPED)
    wait_for(lambda: state_of(service, "flow-gone") == "unacknowledged")
    answer = httpx.post(
        f"http://127.0.0.1:{service.web_port}/api/v1/alarms/flow-gone/acknowledge",
        json={"comment": "going there"},
        headers={"operator": "keeper"},
    )
    assert answer.status_code == 200
    wait_for(lambda: told_of(service, "flow-gone"))
    service.kill()
    time.sleep(3)
    mosquitto.publish(FLOW, STOPPED)
    service.start()
    wait_for(lambda: state_of(service, "service-was-down") == "returned-unacknowledged")
    wait_for(lambda: (service.get("health") or {}).get("broker", {}).get("connected"), 60)
    alarm = wait_for(lambda: service.get("alarms/flow-gone"))
    assert alarm["state"] == "acknowledged"
    assert alarm["acknowledged_by"] == "keeper"
    (away,) = wait_for(lambda: told_of(service, "service-was-down"))
    assert len(told_of(service, "flow-gone")) == 1
    # It says from when to when, and for how long.
    stamp = r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d UTC"
    assert re.search(rf"away from {stamp} to {stamp} \(\d+ s\)", away["text"])
    assert service.stop() == 0


@pytest.mark.slow
@pytest.mark.broker
@pytest.mark.timeout(300)
@pytest.mark.parametrize("blow", [signal.SIGKILL, signal.SIGSTOP])
def test_the_web_struck_while_a_pump_fails(
    tmp_path: Path, mosquitto: Mosquitto, blow: signal.Signals
) -> None:
    service = Service(tmp_path / "s", CONFIG.format(port=mosquitto.port), web=True)
    service.start()
    wait_for(lambda: ((service.get("health") or {}).get("web") or {}).get("answering"), 60)
    assert wait_for(service.health)["not_in_force"] is None
    wait_for(lambda: connected(service), 60)
    mosquitto.wait_for_service()
    edited = service.config.read_text().replace('title = "Hall"', 'title = "Not in force yet"')
    service.config.write_text(edited)
    first = wait_for(service.health)["web"]["pid"]
    os.kill(first, blow)
    mosquitto.publish(FLOW, STOPPED)
    wait_for(lambda: told_of(service, "flow-gone"))
    wait_for(lambda: ((service.get("health") or {}).get("web") or {}).get("answering"), 90)
    web = wait_for(service.health)["web"]
    assert web["pid"] != first
    assert web["restarts"] == 1
    assert web["last_interruption"]
    events = "SELECT kind FROM event WHERE kind = 'web-interrupted' OR rule = 'flow-gone'"
    kinds = wait_for(lambda: len(service.query(events)) == 2 and service.query(events))
    if blow == signal.SIGSTOP:  # the alarm did not wait until the web was given up, after 10 s
        assert kinds == [("raised",), ("web-interrupted",)]
    assert sorted(kinds) == [("raised",), ("web-interrupted",)]
    assert not Path(f"/proc/{first}").exists()
    # The new web goes by what the core goes by, and both say that a restart is needed.
    assert wait_for(lambda: service.get("systems"))["items"][0]["title"] == "Hall"
    assert "restart the service" in wait_for(lambda: service.get("health"))["not_in_force"]
    assert service.stop() == 0


@pytest.mark.broker
@pytest.mark.timeout(300)
def test_broker_gone_and_back(tmp_path: Path, mosquitto: Mosquitto) -> None:
    service = Service(tmp_path / "s", CONFIG.format(port=mosquitto.port))
    service.start()
    wait_for(lambda: connected(service))
    mosquitto.stop()
    wait_for(lambda: state_of(service, "broker-lost") == "unacknowledged")
    wait_for(lambda: told_of(service, "broker-lost"))
    assert told_of(service, "broker-lost") == service.notices()
    mosquitto.start()
    wait_for(lambda: state_of(service, "broker-lost") == "returned-unacknowledged", 120)
    mosquitto.publish(FLOW, STOPPED)
    wait_for(lambda: state_of(service, "flow-gone") == "unacknowledged")
    assert service.stop() == 0


@pytest.mark.timeout(300)
def test_an_absent_broker_is_tried_for_ever_and_told(tmp_path: Path) -> None:
    service = Service(tmp_path / "s", CONFIG.format(port=1))
    service.start()
    wait_for(lambda: state_of(service, "broker-lost") == "unacknowledged")
    assert service.process is not None
    assert service.process.poll() is None
    assert service.stop() == 0
