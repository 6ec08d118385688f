"""A loop on a file of its own."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from support.loop_world import World


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    world = World(tmp_path)
    yield world
    world.close()
