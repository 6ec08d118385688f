"""A container engine with the project's compose file, for who has one and names a base image."""

import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from support.need import need
from support.ports import free_port

ROOT = Path(__file__).parents[2]
BASE, BROKER = "WEIRWATCH_BASE", "WEIRWATCH_MOSQUITTO_IMAGE"
USER = 10001


def compose_command() -> list[str]:
    """The command that runs compose files; skips where none, no engine or no images are at hand.

    CI has no engine, so that this is a skip even where everything else is required.
    """
    if not (os.environ.get(BASE) and os.environ.get(BROKER)):
        pytest.skip(f"name images in {BASE} and {BROKER} (DEVELOPERS.md tells how to make one)")
    if os.geteuid() != 0:
        pytest.skip("needs root: files are handed over to the containers' user")
    docker = shutil.which("docker")
    if docker is None or subprocess.run([docker, "info"], capture_output=True).returncode:
        pytest.skip("no container engine answers: apt-get install docker.io, start dockerd")
    if subprocess.run([docker, "compose", "version"], capture_output=True).returncode == 0:
        return [docker, "compose"]
    old = shutil.which("docker-compose")
    if old is None:
        pytest.skip("no compose: apt-get install docker-compose")
    return [old]


class Containers:
    """deploy/compose.yaml in a folder of its own, with certificates and free ports."""

    def __init__(self, command: list[str], folder: Path) -> None:
        self.folder = folder / "deploy"
        self.project = f"weirwatch-test-{os.getpid()}"
        self.port, self.mqtt_port = free_port(), free_port()
        self._argv = [*command, "-p", self.project, "-f", str(self.folder / "compose.yaml")]
        self._env = {
            **os.environ,
            "WEIRWATCH_PORT": str(self.port),
            "WEIRWATCH_MQTT_PORT": str(self.mqtt_port),
        }
        shutil.copytree(ROOT / "deploy", self.folder)
        self._write_anew()
        for name in ("config", "certs", "broker", "mosquitto"):
            (self.folder / name).mkdir()

    def _write_anew(self) -> None:
        """Build from the project, under a name of our own; old compose knows no `name`."""
        text = (self.folder / "compose.yaml").read_text(encoding="utf-8")
        text = text.replace("name: weirwatch\n", "", 1).replace("context: ..", f"context: {ROOT}")
        text = text.replace("image: weirwatch:latest", f"image: {self.project}")
        (self.folder / "compose.yaml").write_text(text, encoding="utf-8")

    def make_certificates(self) -> None:
        """An authority and a certificate for the broker, as docs/runbook.md says."""
        new = [need("openssl"), *["req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "1"]]
        names = "subjectAltName=DNS:mosquitto,DNS:localhost"
        of_ca = ["-subj", "/CN=Harbour Hall", "-keyout", "ca.key", "-out", "ca.crt"]
        of_server = ["-subj", "/CN=mosquitto", "-addext", names, "-CA", "ca.crt"]
        of_server += ["-CAkey", "ca.key", "-keyout", "server.key", "-out", "server.crt"]
        for words in (of_ca, of_server):
            subprocess.run(
                [*new, *words], cwd=self.folder / "certs", check=True, capture_output=True
            )

    def hand_over(self) -> None:
        """Give the folders to the containers' user."""
        for path in (self.folder, *self.folder.rglob("*")):
            os.chown(path, USER, USER)

    def __call__(self, *words: str, check: bool = True) -> str:
        """Run compose; its standard output."""
        run = subprocess.run(
            [*self._argv, *words],
            env=self._env,
            capture_output=True,
            text=True,
            timeout=1200,
        )
        assert not check or run.returncode == 0, run.stdout[-3000:] + run.stderr[-3000:]
        return run.stdout

    def inspect(self, service: str, form: str) -> str:
        """What the engine says of a service's container."""
        found = self("ps", "-q", service).strip()
        command = ["docker", "inspect", "-f", form, found]
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()

    def close(self, *_: Any) -> None:
        """End everything and take volumes and image away; base images stay."""
        self("down", "-v", check=False)
        subprocess.run(["docker", "image", "rm", self.project], capture_output=True)
