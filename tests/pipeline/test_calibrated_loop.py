"""A calibration in the real loop: from its time on, late readings as before, all on record."""

from pathlib import Path

import pytest
from support.loop_world import World

from weirwatch.domain.instant import SECOND
from weirwatch.domain.keeper_log import Correction
from weirwatch.pipeline.inbox import CalibrationRequest

LEVEL = "harbour-hall/sump-node/level"


def test_it_applies_to_readings_of_its_own_time_on(tmp_path: Path) -> None:
    world = World(tmp_path)
    try:
        world.level(300)
        world.turn(10)
        start = world.clock.utc
        world.inbox.put(CalibrationRequest(LEVEL, Correction(start, 1.1, -30.0)))
        world.turn(10)
        world.level(300)
        world.level(200, age=15)  # measured before the calibration, sent late
        world.turn(10)
        world.turn(10)
        stored = world.archive.readings(LEVEL, 0, 2**62, None, 10)
        by_time = {reading.time: reading.value for reading in stored}
        assert by_time[start + 10 * SECOND] == pytest.approx(300.0)  # 300 x 1.1 - 30
        assert by_time[start - 5 * SECOND] == 200.0
        assert by_time[start - 10 * SECOND] == 300.0
        assert [e.event.kind for e in world.events()].count("calibrated") == 1
    finally:
        world.close()
