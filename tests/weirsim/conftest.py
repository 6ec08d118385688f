"""Fixtures of the simulator's tests: a real Mosquitto, and an ear that hears all of it."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from support.live_broker import Broker, Ear


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    broker = Broker(tmp_path)
    yield broker
    broker.stop()


@pytest.fixture
def ear(broker: Broker) -> Iterator[Ear]:
    ear = Ear(broker.address)
    yield ear
    ear.close()
