"""A loop on a file of its own; an outbox likewise, with the clock that moves it."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from support.loop_world import World
from support.outbox_desk import Desk
from support.still_clock import HandClock


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    world = World(tmp_path)
    yield world
    world.close()


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def desk(tmp_path: Path, clock: HandClock) -> Iterator[Desk]:
    desk = Desk(tmp_path, clock)
    yield desk
    desk.close()
