"""deploy/compose.yaml really built and started: from a node's TLS login to the page's health.

Needs a container engine and two images, see `support.engine`; without them it is skipped.
"""

import json
import subprocess
import time
from collections.abc import Iterator

import httpx
import pytest
from support.engine import Containers, compose_command
from support.need import need
from support.service import wait_for

CONFIG = """
[service]
data_dir = "/var/lib/weirwatch"
commit_every_s = 1

[broker]
url = "mqtts://mosquitto:8883"
ca_file = "/etc/weirwatch-certs/ca.crt"
credentials_file = "/etc/mosquitto/weirwatch/service-login.toml"

[web]
listen = "0.0.0.0:8080"

[[system]]
id = "harbour-hall"
title = "Harbour Hall"

[[channel]]
id = "harbour-hall/sump-node/level"
quantity = "level"
unit = "mm"
"""
FARWATCH = """
[farwatch]
title = "Harbour Hall"
data_dir = "/var/lib/weirwatch"
api = "http://weirwatch:8080"

[broker]
url = "mqtts://mosquitto:8883"
ca_file = "/etc/weirwatch-certs/ca.crt"
credentials_file = "/etc/weirwatch/farwatch-login.toml"

[[recipient]]
id = "keeper"
kind = "console"
"""
NODE = "harbour-hall/sump-node"
pytestmark = [pytest.mark.slow, pytest.mark.broker]


class Hall:
    """The running containers, and what they gave us to get in."""

    def __init__(self, containers: Containers) -> None:
        self.containers = containers
        run = containers
        (run.folder / "config" / "weirwatch.toml").write_text(CONFIG)
        run.make_certificates()
        run.hand_over()
        run("build", "weirwatch")
        self.password = self.login(NODE)
        told = run(
            *("run", "--rm", "-T", "--no-deps", "weirwatch", "token", "add", "owner"),
            *("--role", "admin", "--json"),
        )
        self.token = json.loads(told)["text"]
        run("up", "-d")

    def login(self, *words: str) -> str:
        """The password of a new login at the broker."""
        folder = f"{self.containers.folder / 'mosquitto'}:/new"
        made = self.containers(
            *("run", "--rm", "-T", "--no-deps", "-v", folder, "weirwatch", "node", "add"),
            *(*words, "--folder", "/new", "--json"),
        )
        return str(json.loads(made)["password"])

    def get(self, path: str) -> httpx.Response | None:
        """None while the web does not answer."""
        try:
            return httpx.get(
                f"http://127.0.0.1:{self.containers.port}/api/v1/{path}",
                headers={"Authorization": f"Bearer {self.token}"},
                timeout=5,
            )
        except httpx.TransportError:
            return None

    def publish(self, value: float) -> int:
        ca = self.containers.folder / "certs" / "ca.crt"
        command = [
            *[need("mosquitto_pub"), "-h", "localhost", "-p", str(self.containers.mqtt_port)],
            *["--cafile", str(ca), "-q", "1", "-u", NODE, "-P", self.password],
            *["-t", f"weirwatch/{NODE}/readings", "-m", f'[{{"n":"level","u":"mm","v":{value}}}]'],
        ]
        return subprocess.run(command, capture_output=True, timeout=20).returncode

    def newest(self) -> float | None:
        answer = self.get("channels")
        return answer.json()["items"][0]["value"] if answer and answer.is_success else None


@pytest.fixture(scope="module")
def hall(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Hall]:
    containers = Containers(compose_command(), tmp_path_factory.mktemp("containers"))
    try:
        yield Hall(containers)
    finally:
        containers.close()


def test_a_reading_comes_from_the_node_to_the_api(hall: Hall) -> None:
    wait_for(lambda: hall.get("health"), 60)
    wait_for(lambda: hall.publish(301.0) == 0, 30)
    wait_for(lambda: hall.newest() == 301.0, 30)
    answer = httpx.get(f"http://127.0.0.1:{hall.containers.port}/api/v1/alarms", timeout=5)
    assert answer.status_code == 401


def test_it_is_not_root_and_writes_nowhere_else(hall: Hall) -> None:
    for service in ("weirwatch", "mosquitto"):
        tried = "id -u; touch /opt/x 2>/dev/null || echo refused"
        assert hall.containers("exec", "-T", service, "sh", "-c", tried).split() == [
            "10001",
            "refused",
        ]
        assert hall.containers.inspect(service, "{{.HostConfig.ReadonlyRootfs}}") == "true"
    assert "sump-node/level" in hall.containers(*("exec", "-T", "weirwatch", "weirwatch", "status"))


def test_the_image_keeps_no_setting_of_who_built_it(hall: Hall) -> None:
    said = hall.containers.inspect("weirwatch", "{{json .Config.Env}}")
    assert "PIP_" not in said


def test_the_engine_finds_it_healthy(hall: Hall) -> None:
    wait_for(
        lambda: hall.containers.inspect("weirwatch", "{{.State.Health.Status}}") == "healthy",
        120,
        2.0,
    )


def test_what_was_sent_while_it_was_away_is_there_when_it_is_back(hall: Hall) -> None:
    hall.containers("stop", "weirwatch")
    assert hall.containers.inspect("weirwatch", "{{.State.ExitCode}}") == "0"
    assert hall.publish(302.0) == 0
    hall.containers("restart", "mosquitto")  # its queue survives as well
    hall.containers("start", "weirwatch")
    wait_for(lambda: hall.newest() == 302.0, 60)
    answer = hall.get("channels/harbour-hall/sump-node/level/readings")
    assert answer is not None
    assert [item["value"] for item in answer.json()["items"]] == [301.0, 302.0]


def test_the_watcher_with_a_login_that_only_listens_tells_that_the_service_is_lost(
    hall: Hall,
) -> None:
    run, config = hall.containers, hall.containers.folder / "config"
    login = f'username = "farwatch"\npassword = "{hall.login("farwatch", "--listens")}"\n'
    (config / "farwatch-login.toml").write_text(login)
    (config / "farwatch-login.toml").chmod(0o600)
    (config / "farwatch.toml").write_text(FARWATCH)
    run.hand_over()
    run("kill", "-s", "HUP", "mosquitto")
    run("up", "-d", "farwatch")
    wait_for(lambda: "Watching" in run("logs", "farwatch"), 60)
    wait_for(lambda: hall.get("health"), 60)
    time.sleep(15)  # it must have heard of the service before that is lost
    assert "Weirwatch lost" not in run("logs", "farwatch")
    run("kill", "weirwatch")
    wait_for(lambda: "Weirwatch lost" in run("logs", "farwatch"), 60)
    run("start", "weirwatch")
    wait_for(lambda: "Returned to normal" in run("logs", "farwatch"), 90)
