"""The history servers as containers that testcontainers starts; skipped where no engine answers.

Images: $WEIRWATCH_TEST_VICTORIA_IMAGE and $WEIRWATCH_TEST_INFLUX_IMAGE, by default the public ones.
An image that is neither here nor to be had is a skip as well: CI has no engine at all.
"""

import gc
import os
import warnings
from contextlib import closing
from functools import cache

import docker
import pytest
from docker.errors import APIError, DockerException, ImageNotFound
from support.far_servers import BUCKET, ORG, TOKEN, answers, set_up
from support.ports import free_port
from support.service import wait_for
from testcontainers.core.config import testcontainers_config
from testcontainers.core.container import DockerContainer

VICTORIA_IMAGE = os.environ.get(
    "WEIRWATCH_TEST_VICTORIA_IMAGE", "victoriametrics/victoria-metrics:latest"
)
INFLUX_IMAGE = os.environ.get("WEIRWATCH_TEST_INFLUX_IMAGE", "influxdb:2.7")

# Who clears up after a killed test run is an image of its own; `close` does after any other.
testcontainers_config.ryuk_disabled = "RYUK_CONTAINER_IMAGE" not in os.environ


class ContainerServer:
    """A server in a container; `stop` and `start` keep its data and its address."""

    def __init__(self, image: str, port: int, words: list[str]) -> None:
        if missing := _missing(image):
            pytest.skip(missing)
        host_port = free_port()  # our own choice, so that it stays the same after a stop
        self._box = DockerContainer(image).with_bind_ports(port, host_port)
        if words:
            self._box.with_command(words)
        self._box.start()
        self.url = f"http://{self._box.get_container_host_ip()}:{host_port}"
        self._ready()

    def start(self) -> None:
        """Start it again."""
        self._box.get_wrapped_container().start()
        self._ready()

    def stop(self) -> None:
        """End it in order."""
        self._box.get_wrapped_container().stop(timeout=60)

    def close(self) -> None:
        """Remove it and what it kept."""
        self._box.stop()

    def settle(self) -> None:
        """What it took it shows at once."""

    def _ready(self) -> None:
        wait_for(lambda: answers(f"{self.url}/health"), 120.0)


class VictoriaContainer(ContainerServer):
    """VictoriaMetrics that keeps readings for a hundred years."""

    def __init__(self) -> None:
        super().__init__(VICTORIA_IMAGE, 8428, ["-retentionPeriod=100y", "-loggerLevel=ERROR"])

    def settle(self) -> None:
        """Have it show what it took."""
        assert answers(f"{self.url}/internal/force_flush")


class InfluxContainer(ContainerServer):
    """InfluxDB 2 with organisation, bucket and token."""

    org, bucket, token = ORG, BUCKET, TOKEN

    def __init__(self) -> None:
        super().__init__(INFLUX_IMAGE, 8086, [])
        set_up(self.url)


@cache
def _missing(image: str) -> str:
    """Why there can be no container of this image here; "" if there can."""
    with warnings.catch_warnings():
        # The client leaves its socket open where no engine answers.
        warnings.simplefilter("ignore", ResourceWarning)
        why = _tried(image)
        gc.collect()
    return why


def _tried(image: str) -> str:
    try:
        with closing(docker.from_env()) as client:
            client.ping()
            try:
                client.images.get(image)
            except ImageNotFound:
                client.images.pull(image)
    except APIError as error:
        return f"the image {image} is not here and cannot be had ({error})"
    except (DockerException, OSError):
        return "no container engine answers: apt-get install docker.io, start dockerd"
    return ""
