"""The fixture that runs every case against every kind of history."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from support.contract_world import FarWorld, World
from support.far_servers import BUCKET, ORG, TOKEN, Victoria, influx

from weirwatch.store.far.asking import Login
from weirwatch.store.far.influx import InfluxHistory
from weirwatch.store.far.victoria import VictoriaHistory


@pytest.fixture(params=["sqlite", "victoriametrics", "influxdb"])
def world(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[World]:
    data = tmp_path / "data"
    data.mkdir()
    if request.param == "sqlite":
        made = World(data)
    elif request.param == "influxdb":
        other = influx(tmp_path / "server")
        login = Login(token=TOKEN)
        made = FarWorld(data, other, lambda: InfluxHistory(other.url, ORG, BUCKET, login))
    else:
        server = Victoria(tmp_path / "server")
        made = FarWorld(data, server, lambda: VictoriaHistory(server.url, "", Login()))
    yield made
    made.end()
