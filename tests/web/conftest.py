"""A served harbour: shared by a module's tests, or a fresh one for those that change it."""

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from fastapi import FastAPI
from support.web_harbour import FakeCore, Harbour
from support.web_world import World, made_world


@pytest.fixture(scope="module")
def shared_world(tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    with made_world(tmp_path_factory.mktemp("harbour")) as made:
        yield made


@pytest.fixture
def fresh_world(tmp_path: Path) -> Iterator[World]:
    with made_world(tmp_path) as made:
        yield made


@pytest.fixture
def world(request: pytest.FixtureRequest) -> World:
    """The shared world; a fresh one where a test or its module uses `fresh_world`."""
    fresh = request.node.get_closest_marker("usefixtures")
    name = "fresh_world" if fresh and "fresh_world" in fresh.args else "shared_world"
    made = request.getfixturevalue(name)
    assert isinstance(made, World)
    made.core.commands.clear()
    made.core.failing = None
    return made


@pytest.fixture
def harbour(world: World) -> Harbour:
    return world.harbour


@pytest.fixture
def core(world: World) -> FakeCore:
    return world.core


@pytest.fixture
def app(world: World) -> FastAPI:
    return world.app


@pytest.fixture
def port(world: World) -> int:
    return world.port


@pytest.fixture
def api(port: int) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=f"http://127.0.0.1:{port}/api/v1", timeout=60) as client:
        yield client
