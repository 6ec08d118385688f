"""Derived channels in the real loop: stored, judged by rules, never from outside."""

from pathlib import Path

import pytest
from support.loop_world import CONFIG, World

from weirwatch.domain.reading import Quality

DERIVED = """
[[channel]]
id = "harbour-hall/sump-node/cond"
quantity = "conductivity"
unit = "mS/cm"
expected_every_s = 5
[[channel]]
id = "harbour-hall/sump-node/temp"
quantity = "temperature"
unit = "Cel"
expected_every_s = 5
[[derived]]
id = "harbour-hall/sump-node/salinity"
formula = "salinity"
inputs.conductivity = "harbour-hall/sump-node/cond"
inputs.temperature = "harbour-hall/sump-node/temp"
[[rule]]
id = "salinity-drift"
kind = "absolute"
channel = "harbour-hall/sump-node/salinity"
high = 37
deadband = 0.3
failure = "salinity-drift"
response = "Look at the top-off."
"""
SALINITY = "harbour-hall/sump-node/salinity"


def pack(world: World, conductivity: float, temperature: float = 25.0) -> None:
    time = world.clock.utc / 1e6
    world.put(
        f'[{{"bt":{time:.6f},"n":"temp","v":{temperature}}},{{"n":"cond","v":{conductivity}}}]'
    )


def test_a_reading_becomes_a_derived_one_that_rules_judge(tmp_path: Path) -> None:
    world = World(tmp_path, text=CONFIG + DERIVED)
    try:
        pack(world, 53.0)
        world.turn(6)
        pack(world, 58.0)
        world.turn(61)
        pack(world, 58.0)
        world.turn(61)
        world.turn(6)
        stored = world.archive.readings(SALINITY, 0, 2**62, None, 10)
        assert stored[0].value == pytest.approx(34.9473, abs=5e-4)  # gsw
        assert stored[1].value > 38
        assert [reading.quality for reading in stored] == [Quality.GOOD] * len(stored)
        assert [kind for kind, _ in world.kinds("salinity-drift")] == ["raised"]
    finally:
        world.close()


def test_nothing_in_the_loop_breaks_on_nonsense(tmp_path: Path) -> None:
    world = World(tmp_path, text=CONFIG + DERIVED)
    try:
        pack(world, 1e9, -400.0)
        world.turn(6)
        world.turn(6)
        (stored,) = world.archive.readings(SALINITY, 0, 2**62, None, 10)
        assert stored.quality is Quality.BAD
        assert stored.reason.startswith("cannot be computed")
    finally:
        world.close()
