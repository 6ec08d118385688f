from dataclasses import replace

import pytest
from support.plants import START_US, run, sump_mm

from weirsim.faults import Fault
from weirsim.harbour_hall import NODES, SPEC
from weirsim.model import Plant
from weirsim.waterworks import SALT_KG_M3

ROUGH_DAY = (
    Fault("overflow-blocked", 600.0, severity=0.9, duration_s=900.0),
    Fault("floor-leak", 2000.0, severity=0.3, duration_s=600.0),
    Fault("siphon-break-blocked", 0.0),
    Fault("mains-lost", 4000.0, duration_s=3000.0),
    Fault("heater-stuck-on", 8000.0, duration_s=4000.0),
    Fault("vessel-leaking", 9000.0, target="south", duration_s=2000.0),
    Fault("top-off-stuck-on", 12_000.0, duration_s=2000.0),
    Fault("return-flow-reduced", 15_000.0, severity=0.95, duration_s=1000.0),
    Fault("side-loop-flow-lost", 17_000.0, target="refuge"),
)


def water_m3(plant: Plant) -> float:
    works, ledger = plant.works, plant.ledger
    stored = sum(vessel.volume_m3 for vessel in works.vessels.values())
    gone = ledger.evaporated_m3 + ledger.lost.volume_m3 + ledger.dried_m3
    return stored + works.riser.volume_m3 + works.floor.volume_m3 + gone - ledger.poured_m3


def salt_kg(plant: Plant) -> float:
    works = plant.works
    stored = sum(vessel.salt_kg for vessel in works.vessels.values())
    return stored + works.riser.salt_kg + works.floor.salt_kg + plant.ledger.lost.salt_kg


def heat_j(plant: Plant) -> float:
    works = plant.works
    stored = sum(vessel.heat_j for vessel in works.vessels.values())
    out = works.floor.heat_j + plant.ledger.lost.heat_j
    return stored + works.riser.heat_j + out - plant.ledger.heat_in_j


@pytest.mark.parametrize("step_s", [1.0, 2.5, 30.0])
def test_water_salt_and_heat_are_conserved_through_a_rough_day(step_s: float) -> None:
    plant = Plant(SPEC, START_US, ROUGH_DAY, NODES)
    water, salt, heat = water_m3(plant), salt_kg(plant), heat_j(plant)
    for _ in range(round(20_000 / step_s)):
        plant.step(step_s)
        for vessel in plant.works.vessels.values():
            assert vessel.volume_m3 >= 0.0
    assert plant.ledger.lost.volume_m3 > 0.01
    assert plant.ledger.dried_m3 > 0.0
    assert water_m3(plant) == pytest.approx(water, rel=1e-12)
    assert salt_kg(plant) == pytest.approx(salt, rel=1e-12)
    assert heat_j(plant) == pytest.approx(heat, rel=1e-10)


def test_the_salt_of_the_start_is_that_of_its_salinity() -> None:
    plant = run(SPEC, 0.0)
    assert plant.salinity(plant.works.sump) == pytest.approx(35.0)
    # 35.165 g/kg at 1023.3 kg/m³ (EOS-80, S 35, 25 °C)
    assert plant.works.sump.salt_kg == pytest.approx(0.3 * 1023.343 * 0.03516504, rel=1e-9)
    assert pytest.approx(1.0282, abs=1e-3) == SALT_KG_M3


@pytest.mark.parametrize(
    ("faults", "within_mm"),
    [
        ((), 0.05),
        ((Fault("mains-lost", 60.0, duration_s=600.0),), 0.1),
        ((Fault("return-flow-reduced", 60.0),), 0.05),
        ((Fault("overflow-blocked", 60.0, severity=0.6),), 0.1),
        ((Fault("mains-lost", 60.0), Fault("siphon-break-blocked")), 0.1),
        ((Fault("overflow-blocked", 60.0),), 0.3),  # draws air
    ],
)
def test_the_result_does_not_depend_on_the_step(
    faults: tuple[Fault, ...], within_mm: float
) -> None:
    fine, coarse = (Plant(SPEC, START_US, faults, NODES) for _ in range(2))
    for _ in range(180):
        for _ in range(20):
            fine.step(0.5)
        for _ in range(5):
            coarse.step(2.0)
        assert sump_mm(coarse) == pytest.approx(sump_mm(fine), abs=within_mm)
        for name, vessel in fine.works.vessels.items():
            other = coarse.works.vessels[name]
            if name != "sump":
                assert other.level_m * 1e3 == pytest.approx(vessel.level_m * 1e3, abs=0.1)
            assert coarse.degc(other) == pytest.approx(fine.degc(vessel), abs=0.01)


def test_the_default_step_is_as_good_as_a_fine_one_in_a_power_cut() -> None:
    cut = (Fault("mains-lost", 60.0, duration_s=600.0),)
    fine, default = (Plant(SPEC, START_US, cut, NODES) for _ in range(2))
    for _ in range(360):
        for _ in range(20):
            fine.step(0.25)
        default.step()
        default.step()
        assert sump_mm(default) == pytest.approx(sump_mm(fine), abs=0.1)


@pytest.mark.parametrize("step_s", [0.0, -1.0, 61.0, float("nan")])
def test_a_step_out_of_range_is_refused_and_changes_nothing(step_s: float) -> None:
    plant = run(SPEC, 0.0)
    water = water_m3(plant)
    with pytest.raises(ValueError, match="outside 0 to 60 s"):
        plant.step(step_s)
    assert (plant.elapsed_s, water_m3(plant)) == (0.0, water)


def test_time_goes_on_in_whole_microseconds() -> None:
    plant = run(SPEC, 0.0)
    for _ in range(3):
        plant.step(0.1)
    assert plant.time_us == START_US + 300_000
    assert plant.elapsed_s == pytest.approx(0.3)


@pytest.mark.parametrize(
    ("float_mm", "sump_l", "lifted"),
    [(None, 389.0, False), (None, 391.0, True), (310.0, 309.0, False), (310.0, 311.0, True)],
)
def test_the_high_float_lifts_below_the_rim_or_where_it_is_told(
    float_mm: float | None, sump_l: float, lifted: bool
) -> None:
    plant = Plant(replace(SPEC, high_float_mm=float_mm), START_US)
    plant.works.sump.volume_m3 = sump_l / 1000.0
    assert plant.high_float_lifted is lifted


def test_an_unknown_branch_has_no_flow_meter() -> None:
    with pytest.raises(ValueError, match="no branch 'attic'"):
        run(SPEC, 0.0).flow_l_h("attic")


def test_the_placeholder_ph_swings_by_what_is_normal() -> None:
    """Normal is a day/night swing of 0.15 to 0.4 (common practice, no source)."""
    plant = run(SPEC, 86_400.0, step_s=10.0)
    seen = []
    for _ in range(8640):
        plant.step(10.0)
        seen.append(plant.acidity.ph)
    assert 0.15 < max(seen) - min(seen) < 0.4
    assert 7.9 < min(seen) < max(seen) < 8.4


def test_the_plant_is_fast_enough_for_drills() -> None:
    """Coarse on purpose, a machine may be busy: the goal is 20 000 times real time."""
    from time import process_time

    plant = run(SPEC, 600.0)
    began = process_time()
    for _ in range(4000):
        plant.step()
    assert 4000 * 2.5 / (process_time() - began) > 5000.0
