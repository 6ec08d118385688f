"""Real history servers for tests: a program on this machine, a container, or one that is there.

VictoriaMetrics: the program `victoria-metrics`, which the Debian package of that name brings.
InfluxDB 2: the program $WEIRWATCH_TEST_INFLUXD or `influxd`, else a container of
$WEIRWATCH_TEST_INFLUX_IMAGE where docker answers.
"""

import json
import os
import shutil
import subprocess
import urllib.request
from contextlib import suppress
from pathlib import Path

import pytest
from support.need import need
from support.service import free_port, wait_for


class Victoria:
    """A single server on its own folder; it can be killed and comes back at the same address."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._port = free_port()
        self._process: subprocess.Popen[bytes] | None = None
        self.url = f"http://127.0.0.1:{self._port}"
        self.start()

    def start(self) -> None:
        self._process = subprocess.Popen(
            [
                need("victoria-metrics"),
                f"-storageDataPath={self._folder}",
                f"-httpListenAddr=127.0.0.1:{self._port}",
                "-retentionPeriod=100y",
                "-loggerLevel=ERROR",
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        wait_for(lambda: answers(f"{self.url}/health"), 60.0)

    def kill(self) -> None:
        """kill -9: it forgets what it took in its last seconds."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(30)
            self._process = None

    def stop(self) -> None:
        """End it in order."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(60)
            self._process = None

    def settle(self) -> None:
        """Have it show what it took; otherwise that takes a second or two."""
        urllib.request.urlopen(f"{self.url}/internal/force_flush", timeout=30).close()


IMAGE = os.environ.get("WEIRWATCH_TEST_INFLUX_IMAGE", "influxdb:2.7")
ORG, BUCKET, TOKEN = "harbour-hall", "weirwatch", "a-token-for-tests-alone"


class Influx:
    """A server of its own; `stop` and `start` keep what it has."""

    def __init__(self, folder: Path, argv: list[str], stop: list[str]) -> None:
        self._port = free_port()
        self._argv = [word.format(port=self._port, folder=folder) for word in argv]
        self._stop = [word.format(port=self._port) for word in stop]
        self._process: subprocess.Popen[bytes] | None = None
        self.url = f"http://127.0.0.1:{self._port}"
        self.start()
        set_up(self.url)

    def start(self) -> None:
        self._process = subprocess.Popen(
            self._argv, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        wait_for(lambda: answers(f"{self.url}/health"), 120.0)

    def stop(self) -> None:
        """End it in order."""
        if self._process is not None:
            if self._stop:
                subprocess.run(self._stop, check=True, capture_output=True, timeout=60)
            else:
                self._process.terminate()
            self._process.wait(60)
            self._process = None

    def kill(self) -> None:
        self.stop()

    def settle(self) -> None:
        """What it took it shows at once."""


def influx(folder: Path) -> Influx:
    """A server, or a skip with the sentence that says what is missing."""
    program = influx_program()
    if program:
        options = [
            "--bolt-path={folder}/bolt",
            "--sqlite-path={folder}/sqlite",
            "--engine-path={folder}/engine",
            "--http-bind-address=127.0.0.1:{port}",
            "--reporting-disabled",
            "--log-level=error",
        ]
        folder.mkdir(parents=True, exist_ok=True)
        return Influx(folder, [program, *options], [])
    docker = shutil.which("docker")
    if docker and subprocess.run([docker, "info"], capture_output=True).returncode == 0:
        run = [docker, "run", "--rm", "--name=weirwatch-test-{port}", "-p=127.0.0.1:{port}:8086"]
        run += ["-v=weirwatch-test-{port}:/var/lib/influxdb2", IMAGE]
        return Influx(folder, run, [docker, "stop", "weirwatch-test-{port}"])
    pytest.skip("no InfluxDB 2 here: put its influxd on PATH, or start docker")


def influx_program() -> str:
    """The program, if there is one of version 2."""
    program = os.environ.get("WEIRWATCH_TEST_INFLUXD") or shutil.which("influxd")
    if not program:
        return ""
    told = subprocess.run([program, "version"], capture_output=True).stdout
    return "" if b"InfluxDB v1" in told else program


def set_up(url: str) -> None:
    """Make organisation, bucket and token on a fresh server."""
    body = {"username": "keeper", "password": "for-tests-alone", "org": ORG, "bucket": BUCKET}
    request = urllib.request.Request(
        f"{url}/api/v2/setup",
        data=json.dumps({**body, "token": TOKEN}).encode(),
        headers={"Content-Type": "application/json"},
    )
    urllib.request.urlopen(request, timeout=60).close()


def answers(url: str) -> bool:
    """Whether there is an answer."""
    with suppress(OSError):
        urllib.request.urlopen(url, timeout=5).close()
        return True
    return False
