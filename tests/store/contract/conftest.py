"""The fixture that runs every case against every kind of history."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from support.contract_world import FarWorld, World
from support.far_servers import Victoria

from weirwatch.store.far.asking import Login
from weirwatch.store.far.victoria import VictoriaHistory


@pytest.fixture(params=["sqlite", "victoriametrics"])
def world(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[World]:
    data = tmp_path / "data"
    data.mkdir()
    if request.param == "sqlite":
        made = World(data)
    else:
        server = Victoria(tmp_path / "server")
        made = FarWorld(data, server, lambda: VictoriaHistory(server.url, "", Login()))
    yield made
    made.end()
