"""Real history servers for tests: a program on this machine, a container, or one that is there.

VictoriaMetrics: the program `victoria-metrics`, else the image $WEIRWATCH_TEST_VICTORIA_IMAGE.
InfluxDB 2: the server at $WEIRWATCH_TEST_INFLUX_URL (with $WEIRWATCH_TEST_INFLUX_TOKEN, _ORG,
_BUCKET), else the program `influxd`, else the image $WEIRWATCH_TEST_INFLUX_IMAGE.
"""

import subprocess
import urllib.request
from contextlib import suppress
from pathlib import Path

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
        wait_for(self._answers, 60.0)

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

    def _answers(self) -> bool:
        with suppress(OSError):
            urllib.request.urlopen(f"{self.url}/health", timeout=5).close()
            return True
        return False
