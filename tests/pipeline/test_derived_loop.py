"""Derived channels in the real loop: stored, judged by rules, never from outside."""

from pathlib import Path

import PyCO2SYS
import pytest
from support.loop_world import CONFIG, World

from weirwatch.domain.keeper_log import Correction
from weirwatch.domain.reading import Quality
from weirwatch.pipeline.inbox import CalibrationRequest, HandTestRequest

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


PCO2 = """
[[channel]]
id = "harbour-hall/sump-node/temp"
quantity = "temperature"
unit = "Cel"
expected_every_s = 5
[[channel]]
id = "harbour-hall/sump-node/mv"
quantity = "ph-voltage"
unit = "mV"
expected_every_s = 5
[[derived]]
id = "harbour-hall/sump-node/ph-by-mv"
formula = "ph"
inputs.voltage = "harbour-hall/sump-node/mv"
inputs.temperature = "harbour-hall/sump-node/temp"
every_s = 5
[[derived]]
id = "harbour-hall/sump-node/pco2"
formula = "pco2"
inputs.ph = "harbour-hall/sump-node/ph-by-mv"
inputs.temperature = "harbour-hall/sump-node/temp"
every_s = 5
"""


def test_from_millivolts_over_ph_to_pco2_with_the_newest_hand_test(tmp_path: Path) -> None:
    world = World(tmp_path, text=CONFIG + PCO2)
    name = "harbour-hall/sump-node/pco2"

    def say(millivolts: float) -> None:
        time = world.clock.utc / 1e6
        world.put(f'[{{"bt":{time:.6f},"n":"temp","v":25}},{{"n":"mv","v":{millivolts}}}]')
        world.turn(10)

    try:
        # an electrode of 96.11 % and -5 mV (rows 2.14, 2.15): what it says becomes a perfect one's
        channel = "harbour-hall/sump-node/mv"
        gain = 100.0 / 96.11
        start = world.clock.utc
        world.inbox.put(CalibrationRequest(channel, Correction(start, gain, 5.0 * gain)))
        world.turn(10)
        say(-67.5)
        world.inbox.put(HandTestRequest({"harbour-hall": {"alkalinity": 7.174}}))
        say(-67.5)
        world.turn(10)
        before, after = world.archive.readings(name, 0, 2**62, None, 10)
        assert before.quality is Quality.BAD
        assert "no hand test of alkalinity" in before.reason
        ph = world.archive.readings("harbour-hall/sump-node/ph-by-mv", 0, 2**62, None, 10)[-1]
        assert ph.value == pytest.approx(7 - (-67.5 + 5.0) / 56.856, abs=1e-3)  # row 2.14
        # 7.174 dKH are 2500 umol/kg at S 35 and 25 °C
        assert after.value == pytest.approx(pco2_by_pyco2sys(ph.value), rel=2e-3)
    finally:
        world.close()


def pco2_by_pyco2sys(ph_nbs: float) -> float:
    """The full solution of PyCO2SYS, as ppm of dry air at 1 atm (water vapour of Weiss & Price)."""
    found = PyCO2SYS.sys(
        par1=2500.0, par1_type=1, par2=ph_nbs, par2_type=3, salinity=35.0, temperature=25.0,
        opt_pH_scale=4, opt_k_carbonic=10, opt_total_borate=1,
    )  # fmt: skip
    return float(found["xCO2"])
