from collections.abc import Iterator
from pathlib import Path

import pytest
from support.service import Mosquitto


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    broker = Mosquitto(tmp_path / "broker")
    yield broker
    broker.stop()
