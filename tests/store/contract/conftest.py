"""The fixture that runs every case against every kind of history.

Each server twice: as a program of this machine, and as a container where an engine answers.
"""

from collections.abc import Iterator
from pathlib import Path

import pytest
from support.contract_world import FarWorld, World
from support.far_containers import InfluxContainer, VictoriaContainer
from support.far_servers import InfluxServer, Server, Victoria, influx_of_tests

from weirwatch.store.far.asking import Login
from weirwatch.store.far.influx import InfluxHistory
from weirwatch.store.far.victoria import VictoriaHistory

KINDS = ("victoriametrics", "influxdb")


@pytest.fixture(params=["sqlite", *KINDS, *(f"{kind}-container" for kind in KINDS)])
def world(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[World]:
    data = tmp_path / "data"
    data.mkdir()
    made = World(data) if request.param == "sqlite" else far_world(request.param, data)
    yield made
    made.end()


def far_world(kind: str, data: Path) -> FarWorld:
    inside = kind.endswith("-container")
    if kind.startswith("victoriametrics"):
        server: Server = VictoriaContainer() if inside else Victoria(data.parent / "server")
        return FarWorld(data, server, lambda: VictoriaHistory(server.url, "", Login()))
    other: InfluxServer = InfluxContainer() if inside else influx_of_tests(data.parent / "server")
    login = Login(token=other.token)
    return FarWorld(data, other, lambda: InfluxHistory(other.url, other.org, other.bucket, login))
