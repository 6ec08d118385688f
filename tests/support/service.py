"""Real processes for end-to-end tests: a mosquitto, the service, a publisher."""

import json
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import httpx
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from support.need import need
from support.ports import free_port

from weirwatch.control.client import ControlClient
from weirwatch.domain.errors import WeirwatchError
from weirwatch.domain.reading import Reading
from weirwatch.ingest.mqtt import leave
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive


def wait_for(what: Any, seconds: float = 60.0, every: float = 0.05) -> Any:
    """The first truthy answer of `what`; fails after `seconds`."""
    ends = time.monotonic() + seconds
    while True:
        found = what()
        if found:
            return found
        assert time.monotonic() < ends, f"not within {seconds} s: {what}"
        time.sleep(every)


class Mosquitto:
    """A real mosquitto with a queue without limit, as docs/wire.md asks for."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        folder.mkdir(parents=True, exist_ok=True)
        conf = folder / "mosquitto.conf"
        conf.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\n"
            "max_queued_messages 0\nmax_inflight_messages 1000\n"
            "log_dest stderr\nlog_type subscribe\nlog_type error\n"
        )
        self._log = folder / "mosquitto.log"
        self._argv = [need("mosquitto"), "-c", str(conf)]
        self.process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        """Start and wait until it listens."""
        with self._log.open("wb") as log:
            self.process = subprocess.Popen(self._argv, stdout=subprocess.DEVNULL, stderr=log)
        wait_for(self._listens)

    def stop(self) -> None:
        """End it."""
        if self.process is not None:
            self.process.terminate()
            self.process.wait(60)
            self.process = None

    def kill(self) -> None:
        """kill -9."""
        if self.process is not None:
            self.process.kill()
            self.process.wait(60)
            self.process = None

    def publish(self, topic: str, payload: str, *more: str) -> None:
        """Publish with mosquitto_pub, a peer none of us wrote, once the service will hear of it."""
        self.wait_for_service()
        subprocess.run(
            [need("mosquitto_pub"), "-p", str(self.port), "-q", "1", "-t", topic, *more]
            + (["-m", payload] if payload else []),
            check=True,
            timeout=60,
        )

    def wait_for_service(self) -> None:
        """Wait until the service has subscribed since the broker's start.

        It says that it is connected a moment earlier; what is published in between goes nowhere.
        """
        wait_for(lambda: b": weirwatch-core 1 " in self._log.read_bytes())

    def _listens(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0


class Service:
    """`weirwatch serve` as a process of its own."""

    def __init__(
        self,
        folder: Path,
        config: str,
        *,
        web: bool = False,
        env: Mapping[str, str] | None = None,
        more: Sequence[str] = (),
    ) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self.config = folder / "weirwatch.toml"
        self.web_port = free_port()
        self.config.write_text(config.replace("WEB_PORT", str(self.web_port)))
        self.web = web
        self.more = more
        self.env = {**os.environ, **(env or {})}
        self.process: subprocess.Popen[bytes] | None = None
        self.log = folder / "service.log"

    @property
    def file(self) -> Path:
        """The SQLite file."""
        return self.folder / "data" / FILE_NAME

    def start(self) -> None:
        """Start; with the web, wait until it answers."""
        argv = [sys.executable, "-m", "weirwatch.cli", "serve", "--config", str(self.config)]
        argv += [*([] if self.web else ["--without-web"]), *self.more]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(argv, stdout=log, stderr=log, env=self.env)

    def kill(self) -> None:
        """kill -9."""
        process = self.process  # from another thread there may soon be a new one
        assert process is not None
        process.send_signal(signal.SIGKILL)
        process.wait(60)

    def stop(self) -> int:
        """End in order; returns the exit code."""
        if self.process is None:
            return 0
        self.process.terminate()
        code = self.process.wait(60)
        self.process = None
        return code

    def end(self) -> None:
        """Leave nothing behind, whatever the test found."""
        if self.process is not None and self.process.poll() is None:
            self.kill()

    def get(self, path: str) -> Any:
        """GET below /api/v1 as JSON; None while the web does not answer."""
        try:
            answer = httpx.get(f"http://127.0.0.1:{self.web_port}/api/v1/{path}", timeout=30)
        except httpx.TransportError:
            return None
        return answer.json() if answer.status_code == 200 else None

    def query(self, sql: str, *values: Any) -> list[tuple[Any, ...]]:
        """Rows of the file; empty while there is none."""
        if not self.file.exists():
            return []
        try:
            with closing(sqlite3.connect(f"file:{self.file}?mode=ro", uri=True)) as connection:
                return connection.execute(sql, values).fetchall()
        except sqlite3.OperationalError:
            return []

    def readings(self, channel: str, after: int = 0, until: int = 2**62) -> list[Reading]:
        """Every stored reading of a channel, as the archive tells them, in `[after, until)`."""
        archive = SqliteArchive(self.file)
        try:
            return list(archive.readings(channel, after, until, None, 10_000_000))
        finally:
            archive.close()

    def health(self) -> dict[str, Any]:
        """What the core says of itself; empty while it does not answer."""
        try:
            return dict(ControlClient(self.folder / "data" / "control.sock").health())
        except WeirwatchError:
            return {}

    def acked(self) -> int:
        """How many messages are committed and acknowledged."""
        health = self.health()
        return int(health["counts"]["mqtt"]["acked"]) if health else 0

    def notices(self) -> list[dict[str, Any]]:
        """What the JSON-lines recipient got; torn lines are left out."""
        path = self.folder / "notices.jsonl"
        found = []
        for line in path.read_text().splitlines() if path.exists() else []:
            try:
                found.append(json.loads(line))
            except ValueError:
                continue
        return found


def publisher(port: int, client_id: str) -> mqtt.Client:
    """A connected paho client with its network thread running."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=False)
    client.max_inflight_messages_set(100)
    client.connect("127.0.0.1", port)
    client.loop_start()
    return client


def ended(client: mqtt.Client) -> None:
    """Disconnect and end a client's thread."""
    leave(client)
