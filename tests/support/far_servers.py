"""Real history servers for tests, as programs on this machine; as containers: far_containers.py.

VictoriaMetrics: the program `victoria-metrics`, which the Debian package of that name brings.
InfluxDB 2: the program $WEIRWATCH_TEST_INFLUXD or `influxd`; else the server that runs already at
$WEIRWATCH_TEST_INFLUX_URL, whose $WEIRWATCH_TEST_INFLUX_TOKEN may make buckets in the organisation
$WEIRWATCH_TEST_INFLUX_ORG (both may be left out for one that was never set up).
"""

import json
import os
import shutil
import subprocess
import urllib.request
import uuid
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import quote, urlsplit

import pytest
from support.need import need
from support.ports import free_port
from support.relay import Relay
from support.service import wait_for


class Server(Protocol):
    """A history server of a test's own; `stop` and `start` keep what it has and its address."""

    url: str

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def settle(self) -> None:
        """Have it show what it took."""
        ...

    def close(self) -> None:
        """End it for good."""
        ...


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

    def close(self) -> None:
        self.kill()

    def settle(self) -> None:
        """Have it show what it took; otherwise that takes a second or two."""
        urllib.request.urlopen(f"{self.url}/internal/force_flush", timeout=30).close()


ORG, BUCKET, TOKEN = "harbour-hall", "weirwatch", "a-token-for-tests-alone"


class InfluxServer(Server, Protocol):
    """An InfluxDB 2, and where in it a test's readings go."""

    org: str
    bucket: str
    token: str


class Influx:
    """A server of its own; `stop` and `start` keep what it has."""

    org, bucket, token = ORG, BUCKET, TOKEN

    def __init__(self, folder: Path, options: Sequence[str] = ()) -> None:
        program = influx_program()
        if not program:
            pytest.skip(
                "no InfluxDB 2 here: put its influxd on PATH, name it in WEIRWATCH_TEST_INFLUXD or"
                " a running server in WEIRWATCH_TEST_INFLUX_URL"
            )
        port = free_port()
        self.url = f"http://127.0.0.1:{port}"
        self._argv = [
            program,
            f"--bolt-path={folder}/bolt",
            f"--sqlite-path={folder}/sqlite",
            f"--engine-path={folder}/engine",
            f"--http-bind-address=127.0.0.1:{port}",
            "--reporting-disabled",
            "--log-level=error",
            *options,
        ]
        folder.mkdir(parents=True, exist_ok=True)
        self._process: subprocess.Popen[bytes] | None = None
        self.start()
        set_up(self.url)

    @property
    def pid(self) -> int:
        """The number of its process while it runs."""
        assert self._process is not None
        return self._process.pid

    def start(self) -> None:
        self._process = subprocess.Popen(
            self._argv, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        wait_for(lambda: answers(f"{self.url}/health"), 120.0)

    def stop(self) -> None:
        """End it in order."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(60)
            self._process = None

    def close(self) -> None:
        self.stop()

    def settle(self) -> None:
        """What it took it shows at once."""


class InfluxAt:
    """A server that runs already, in a bucket of the test's own; `stop` cuts it off from us."""

    def __init__(self, url: str) -> None:
        set_up(url)
        self.org = os.environ.get("WEIRWATCH_TEST_INFLUX_ORG", ORG)
        self.token = os.environ.get("WEIRWATCH_TEST_INFLUX_TOKEN", TOKEN)
        self.bucket = f"weirwatch-test-{uuid.uuid4().hex[:12]}"
        self._direct = url.rstrip("/")
        place = urlsplit(url)
        assert place.hostname in ("127.0.0.1", "localhost", "::1"), f"{url}: not on this machine"
        self._relay = Relay((place.hostname, place.port or 8086))
        self.url = f"http://127.0.0.1:{self._relay.port}"
        found = self._asked("GET", f"orgs?org={quote(self.org)}")
        made = {"orgID": found["orgs"][0]["id"], "name": self.bucket, "retentionRules": []}
        self._bucket_id = self._asked("POST", "buckets", made)["id"]

    def start(self) -> None:
        self._relay.up()

    def stop(self) -> None:
        self._relay.down()

    def settle(self) -> None:
        """What it took it shows at once."""

    def close(self) -> None:
        """Remove the bucket, and cut the server off."""
        self._relay.down()
        self._asked("DELETE", f"buckets/{self._bucket_id}")

    def _asked(self, method: str, path: str, body: object = None) -> Any:
        headers = {"Authorization": f"Token {self.token}", "Content-Type": "application/json"}
        content = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(
            f"{self._direct}/api/v2/{path}", data=content, headers=headers, method=method
        )
        with urllib.request.urlopen(request, timeout=60) as answer:
            return json.loads(answer.read() or b"null")


def influx_of_tests(folder: Path) -> InfluxServer:
    """Return an InfluxDB 2: of this machine's program, else the one that the environment names."""
    url = os.environ.get("WEIRWATCH_TEST_INFLUX_URL", "")
    return InfluxAt(url) if url and not influx_program() else Influx(folder)


def influx_program() -> str:
    """The program, if there is one of version 2."""
    program = os.environ.get("WEIRWATCH_TEST_INFLUXD") or shutil.which("influxd")
    if not program:
        return ""
    told = subprocess.run([program, "version"], capture_output=True).stdout
    return "" if b"InfluxDB v1" in told else program


def set_up(url: str) -> None:
    """Make organisation, bucket and token, unless that was done before."""
    with urllib.request.urlopen(f"{url}/api/v2/setup", timeout=60) as answer:
        if not json.load(answer)["allowed"]:
            return
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
