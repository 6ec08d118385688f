"""deploy/mosquitto.conf with the files of `weirwatch node add`: a real mosquitto, real clients."""

import os
import socket
import subprocess
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from support.need import need
from support.ports import free_port
from support.service import wait_for

from weirwatch.domain.errors import ConfigError
from weirwatch.ingest.broker_logins import ACL, PASSWORDS, SERVICE_LOGIN, BrokerLogins, hashed
from weirwatch.ingest.credentials import read_credentials
from weirwatch.ingest.retained import retained_messages
from weirwatch.pipeline.doctor import examine_broker_conf
from weirwatch.settings import BrokerSettings, TapSettings

CONF = (Path(__file__).parents[2] / "deploy" / "mosquitto.conf").read_text(encoding="utf-8")
SUMP, HALL = "harbour-hall/sump-node", "harbour-hall/hall-node"


class Broker:
    """The broker of the file, its paths and ports made our own, and the passwords it knows."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        taps = [TapSettings("plain/+/level", f"{SUMP}/level")]
        self.logins = BrokerLogins(folder / "weirwatch", "weirwatch", taps)
        self.passwords = {node: self.logins.add(node) for node in (SUMP, HALL)}
        self.tls_port, self.port = free_port(), free_port()
        self._make_certificates()
        text = CONF.replace("/etc/mosquitto", str(folder))
        text = text.replace("listener 8883", f"listener {self.tls_port} 127.0.0.1")
        text = text.replace("listener 1883", f"listener {self.port}")
        (folder / "conf.d").mkdir()
        (folder / "conf.d" / "weirwatch.conf").write_text(text)
        self._write_main_file()
        self.log = (folder / "log").open("wb")
        self.process = subprocess.Popen(
            [need("mosquitto"), "-c", str(folder / "mosquitto.conf")],
            stdout=self.log,
            stderr=self.log,
        )
        wait_for(self._listens)

    def _write_main_file(self) -> None:
        """As Debian ships it: what it says already must not be said twice."""
        main = f"persistence true\npersistence_location {self.folder}/\n"
        main += f"include_dir {self.folder}/conf.d\n"
        main += "user root\n" if os.geteuid() == 0 else ""
        (self.folder / "mosquitto.conf").write_text(main)

    def _make_certificates(self) -> None:
        """As docs/runbook.md says, with openssl."""
        certs = self.folder / "certs"
        certs.mkdir()
        openssl = need("openssl")
        new = [openssl, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "1"]
        for extra in (
            [*new, "-subj", "/CN=Harbour Hall", "-keyout", "ca.key", "-out", "ca.crt"],
            [
                *[*new, "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost"],
                *["-CA", "ca.crt", "-CAkey", "ca.key", "-keyout", "server.key"],
                *["-out", "server.crt"],
            ],
        ):
            subprocess.run(extra, cwd=certs, check=True, capture_output=True)

    def _listens(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.tls_port)) == 0

    def publish(self, topic: str, text: str, node: str, *more: str, password: str = "") -> int:
        """The exit code of mosquitto_pub by TLS."""
        login = ["-u", node, "-P", password or self.passwords.get(node, "")] if node else []
        command = [
            *[need("mosquitto_pub"), "-h", "localhost", "-p", str(self.tls_port), "-q", "1"],
            *["--cafile", str(self.folder / "certs" / "ca.crt"), "-t", topic, "-m", text],
        ]
        run = subprocess.run([*command, *login, *more], capture_output=True, timeout=60)
        return run.returncode

    def settings(self) -> BrokerSettings:
        """How the service reaches it."""
        return BrokerSettings(
            f"mqtts://localhost:{self.tls_port}",
            ("127.0.0.1", 0),
            "weirwatch",
            "3.1.1",
            self.folder / "weirwatch" / SERVICE_LOGIN,
            self.folder / "certs" / "ca.crt",
            "core",
        )

    def close(self) -> None:
        self.process.terminate()
        self.process.wait(60)
        self.log.close()


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    broker = Broker(tmp_path_factory.mktemp("mosquitto"))
    yield broker
    broker.close()


def kept(broker: Broker) -> list[str]:
    return [topic for topic, _ in retained_messages(broker.settings())]


@pytest.mark.broker
def test_a_node_publishes_below_its_own_prefix_only(broker: Broker) -> None:
    """A publish that is not allowed is silent in MQTT 3.1.1, so what counts is what arrived."""
    mine, other = f"weirwatch/{SUMP}/connection", f"weirwatch/{HALL}/connection"
    said = '{"connected": true}'
    assert broker.publish(mine, said, SUMP, "-r") == 0
    for topic in (
        other,
        f"weirwatch/{SUMP}/other",
        f"weirwatch/{SUMP}-2/readings",
        "weirwatch/harbour-hall/alarm/sump-high",
        "weirwatch/service/connection",
        "elsewhere",
    ):
        broker.publish(topic, said, SUMP, "-r")
    time.sleep(0.2)
    assert kept(broker) == [mine]
    assert broker.publish(other, said, HALL, "-r") == 0
    assert kept(broker) == sorted([mine, other])


@pytest.mark.broker
def test_a_node_publishes_on_the_topics_of_its_taps(broker: Broker) -> None:
    topic = "plain/sump/level"
    broker.publish(topic, "300", HALL, "-r")
    broker.publish("plain/sump/other", "301", SUMP, "-r")
    assert broker.publish(topic, "301", SUMP, "-r") == 0
    plain = replace(broker.settings(), root="plain")
    assert retained_messages(plain) == [(topic, b"301")]


@pytest.mark.broker
@pytest.mark.parametrize(("node", "password"), [("", ""), (SUMP, "wrong"), ("nobody", "x")])
def test_nobody_else_is_let_in(broker: Broker, node: str, password: str) -> None:
    assert broker.publish(f"weirwatch/{SUMP}/readings", "[]", node, password=password) != 0


@pytest.mark.broker
def test_tls_is_checked(broker: Broker, tmp_path: Path) -> None:
    plain = subprocess.run(
        [need("mosquitto_pub"), "-p", str(broker.tls_port), "-t", "x", "-m", "y"],
        capture_output=True,
        timeout=60,
    )
    assert plain.returncode != 0


@pytest.mark.broker
def test_a_listener_hears_all_and_says_nothing(broker: Broker) -> None:
    password = broker.logins.add_listener("farwatch")
    broker.process.send_signal(1)
    topic = f"weirwatch/{SUMP}/connection"
    ear = [
        *[need("mosquitto_sub"), "-h", "localhost", "-p", str(broker.tls_port), "-W", "30"],
        *["--cafile", str(broker.folder / "certs" / "ca.crt"), "-t", topic, "-C", "1"],
        *["-u", "farwatch", "-P", password],
    ]
    said = '{"connected": true, "power": "mains"}'
    assert broker.publish(topic, said, SUMP, "-r") == 0
    heard = []

    def hears() -> bool:
        run = subprocess.run(ear, capture_output=True, text=True, timeout=60)
        heard.append(run.stdout.strip())
        return run.returncode == 0

    wait_for(hears)
    assert heard[-1] == said
    broker.publish(topic, "{}", "farwatch", "-r", password=password)
    broker.publish("weirwatch/service/connection", "{}", "farwatch", "-r", password=password)
    time.sleep(0.2)
    assert [text for at, text in retained_messages(broker.settings()) if at == topic] == [
        said.encode()
    ]
    assert "weirwatch/service/connection" not in kept(broker)


@pytest.mark.broker
def test_a_revoked_node_is_out_after_a_hangup(broker: Broker) -> None:
    topic = f"weirwatch/{HALL}/readings"
    assert broker.publish(topic, "[]", HALL) == 0
    broker.logins.revoke(HALL)
    broker.process.send_signal(1)
    wait_for(lambda: broker.publish(topic, "[]", HALL) != 0)
    assert broker.logins.nodes() == [SUMP]
    broker.passwords[HALL] = broker.logins.add(HALL)
    broker.process.send_signal(1)
    wait_for(lambda: broker.publish(topic, "[]", HALL) == 0)


@pytest.mark.broker
def test_mosquittos_own_tool_writes_the_same_format(tmp_path: Path) -> None:
    path = tmp_path / "passwords"
    tool = need("mosquitto_passwd")
    subprocess.run(
        [tool, "-H", "sha512-pbkdf2", "-c", "-b", str(path), "n", "secret"],
        check=True,
        capture_output=True,
    )
    line = path.read_text().strip().partition(":")[2]
    _, kind, rounds, salt, _ = line.split("$")
    assert (kind, rounds) == ("7", "101")
    import base64

    assert hashed("secret", base64.b64decode(salt)) == line


def test_logins_are_refused_twice_and_files_are_private(tmp_path: Path) -> None:
    logins = BrokerLogins(tmp_path / "m", "weirwatch")
    password = logins.add(SUMP)
    with pytest.raises(ConfigError, match="has a login already"):
        logins.add(SUMP)
    with pytest.raises(ConfigError, match="has no login"):
        logins.revoke(HALL)
    with pytest.raises(ConfigError, match="has no login"):
        logins.revoke("weirwatch")
    modes = {path.name: path.stat().st_mode & 0o777 for path in (tmp_path / "m").iterdir()}
    assert modes == {ACL: 0o640, PASSWORDS: 0o640, SERVICE_LOGIN: 0o600}
    assert read_credentials(tmp_path / "m" / SERVICE_LOGIN).username == "weirwatch"
    assert password not in (tmp_path / "m" / PASSWORDS).read_text()


def test_the_service_can_be_let_in_before_any_node(tmp_path: Path) -> None:
    logins = BrokerLogins(tmp_path / "m", "weirwatch")
    logins.prepare()
    first = (tmp_path / "m" / SERVICE_LOGIN).read_text()
    logins.prepare()
    logins.add(SUMP)
    assert (tmp_path / "m" / SERVICE_LOGIN).read_text() == first
    assert "user weirwatch\ntopic read #" in (tmp_path / "m" / ACL).read_text()


def test_the_doctor_finds_nothing_in_the_file() -> None:
    assert list(examine_broker_conf(CONF, "mosquitto.conf")) == []
