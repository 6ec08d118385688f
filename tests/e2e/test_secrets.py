"""A real service with secrets everywhere: none in a log, an answer, an error or the record."""

import json
import subprocess
import sys
from pathlib import Path

import httpx
import pytest
from support.receivers import http_receiver, smtp_receiver
from support.service import Mosquitto, Service, wait_for

from weirwatch.control.client import ControlClient

CONFIG = """
[service]
commit_every_s = 0.2
[broker]
url = "mqtt://127.0.0.1:{broker}"
credentials_file = "broker-login.toml"
[web]
listen = "127.0.0.1:WEB_PORT"
[[system]]
id = "hall"
[[channel]]
id = "hall/node/level"
quantity = "level"
unit = "mm"
[[rule]]
id = "level-high"
kind = "absolute"
channel = "hall/node/level"
high = 500
priority = "critical"
failure = "sump-high"
[heartbeat]
every_s = 5
secrets_env = "WEIRWATCH_HEART"
[[recipient]]
id = "hook"
kind = "webhook"
secrets_file = "hook.toml"
[[recipient]]
id = "mail"
kind = "mail"
host = "127.0.0.1"
port = {mail}
tls = "none"
from = "weirwatch@hall.example"
to = "keeper@hall.example"
secrets_file = "mail.toml"
[[recipient]]
id = "push"
kind = "apprise"
secrets_file = "push.toml"
[[recipient]]
id = "gone"
kind = "webhook"
secrets_env = "WEIRWATCH_GONE"
"""


def secret(name: str) -> str:
    return f"s3cr3t-{name}-7f41"


SECRETS = [
    secret(name)
    for name in (
        "broker", "hook-url", "hook-sign", "mail", "push", "heart-url", "heart-sign", "gone-url",
        "gone-sign",
    )
]  # fmt: skip


def command(service: Service, *words: str) -> str:
    """Run a command; return all it says, whatever its exit code."""
    argv = [sys.executable, "-m", "weirwatch.cli", *words, "--config", str(service.config)]
    done = subprocess.run(argv, env=service.env, capture_output=True, text=True, timeout=180)
    return done.stdout + done.stderr


def answers(service: Service, token: str) -> dict[str, str]:
    """Every answer of the API to whoever may see everything, refusals too."""
    base = f"http://127.0.0.1:{service.web_port}"
    found = {}
    with httpx.Client(base_url=base, headers={"Authorization": f"Bearer {token}"}) as client:
        paths = client.get("/api/v1/openapi.json").json()["paths"]
        given = {"{id}": "level-high"}
        for path, methods in paths.items():
            if "get" not in methods or path.endswith("/events/stream"):
                continue
            address = path
            for name, value in given.items():
                address = address.replace(name, value)
            found[address] = client.get(address, timeout=60).text
        for address in ("/metrics", "/", "/api/v1/asyncapi.json", "/api/v1/nothing-here"):
            found[address] = client.get(address, timeout=60).text
    assert len(found) > 15
    return found


@pytest.mark.broker
@pytest.mark.slow
@pytest.mark.timeout(600)
def test_no_secret_shows_anywhere(tmp_path: Path, mosquitto: Mosquitto) -> None:
    folder = tmp_path / "service"
    with http_receiver() as receiver, smtp_receiver() as (_, mail_port):
        receiver.answers = [(503, {}) for _ in range(1000)]
        url, host = receiver.url.split("/alarm")[0], receiver.url.split("//")[1].split("/")[0]
        env = {
            "WEIRWATCH_HEART": f'url = "{url}/{secret("heart-url")}"\n'
            f'secret = "{secret("heart-sign")}"',
            "WEIRWATCH_GONE": f'url = "http://127.0.0.1:1/{secret("gone-url")}"\n'
            f'secret = "{secret("gone-sign")}"',
        }
        config = CONFIG.format(broker=mosquitto.port, mail=mail_port)
        service = Service(folder, config, web=True, env=env, more=("--log-level", "debug"))
        files = {
            "broker-login.toml": f'username = "core"\npassword = "{secret("broker")}"\n',
            "hook.toml": f'url = "{url}/{secret("hook-url")}"\nsecret = "{secret("hook-sign")}"\n',
            "mail.toml": f'username = "me"\npassword = "{secret("mail")}"\n',
            "push.toml": f'urls = ["json://me:{secret("push")}@{host}/"]\n',
        }
        for name, text in files.items():
            (folder / name).write_text(text)
        made = command(service, "token", "add", "--role", "admin", "--json", "scan")
        token = json.loads(made)["text"]
        said = {"check": command(service, "check")}
        try:
            service.start()
            wait_for(lambda: _alive(service), 60)
            mosquitto.publish(
                "weirwatch/hall/node/readings", json.dumps([{"n": "level", "v": 900}])
            )
            tried = "SELECT count(DISTINCT recipient) FROM notice WHERE attempts > 0"
            wait_for(lambda: service.query(tried) == [(4,)], 120)
            core = ControlClient(folder / "data" / "control.sock", health_timeout_s=60)
            wait_for(lambda: core.health()["heartbeat"]["failures"] > 2, 120)
            said |= answers(service, token)
            said["control health"] = json.dumps(core.health())
            said["control explain"] = json.dumps(core.explain("level-high"))
            for words in (
                ("status",), ("notice", "list", "--json"), ("doctor",),
                ("notice", "test", "--wait", "15", "--json"), ("notice", "morning"),
            ):  # fmt: skip
                said[" ".join(words)] = command(service, *words)
            tested = json.loads(said["notice test --wait 15 --json"].splitlines()[0])["items"]
            assert [item["taken"] for item in tested] == [False] * 4
            assert all("not taken yet" in item["error"] for item in tested)
            assert service.stop() == 0
        finally:
            service.end()
        said["log"] = service.log.read_text()
        paths = {posted.path for posted in receiver.posted}

    # They were really used: what cannot leak is no proof.
    assert {f"/{secret('hook-url')}", f"/{secret('heart-url')}"} <= paths
    assert "no connection" not in said["control health"]
    assert len(said["log"].splitlines()) > 5
    (folder / "mail.toml").write_text(f"password = [{secret('mail')}")
    said["a broken file"] = command(service, "check") + command(service, "serve", "--without-web")
    assert "not TOML" in said["a broken file"]
    data = {
        str(path): path.read_bytes()
        for path in (folder / "data").rglob("*")
        if path.is_file() and not path.is_socket()
    }
    for hidden in [*SECRETS, token]:
        assert [place for place, text in said.items() if hidden in text] == []
        assert [place for place, raw in data.items() if hidden.encode() in raw] == []


def _alive(service: Service) -> bool:
    try:
        answer = httpx.get(f"http://127.0.0.1:{service.web_port}/api/v1/health", timeout=5)
    except httpx.TransportError:
        return False
    return answer.status_code in (200, 401, 403)
