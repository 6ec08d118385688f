"""Oxygen, carbon, calcium and ammonia against an independent solver and closed forms."""

from dataclasses import replace
from math import exp

import pytest
from scipy.integrate import solve_ivp
from support.plants import START_US, quiet, run

from weirsim.faults import Fault
from weirsim.gear import AirSpec, DoserSpec, ReactorSpec
from weirsim.harbour_hall import NODES, SPEC
from weirsim.model import Plant
from weirsim.plant import DaySpec, PlantSpec
from weirsim.stocking import Stocking
from weirwatch.water.carbonate import (
    meq_L_to_umol_kg,
    pco2_from_room_ppm,
    ph_from_alkalinity_pco2,
)
from weirwatch.water.equilibrium import equilibrium
from weirwatch.water.oxygen import saturation_mg_L, schmidt_number
from weirwatch.water.salinity import density_kg_m3

NOON_US = START_US + 10 * 3_600_000_000  # 11:00 at the plant: lights on
DEAD = Stocking(uptake_mg_l_h=1e-9, calcification_dkh_day=0.0, excreted=0.0)
AIR_ATM = 1e-6 * pco2_from_room_ppm(470.0, 35.0, 25.5)


def bench(**changes: object) -> PlantSpec:
    """Return Harbour Hall without changes of temperature, reactor or doses."""
    spec = quiet(loss_w_per_k=0.0, heaters=(), start_degc=25.5)
    spec = replace(spec, doser=DoserSpec(rate_l_h=0.0))
    return replace(spec, **changes)  # type: ignore[arg-type]


def state(plant: Plant, name: str) -> list[float]:
    """Return oxygen (mg/L), alkalinity, carbon, calcium and ammonia (mmol/L) of a vessel."""
    v = plant.works.vessels[name]
    amounts = (v.oxygen_g, v.alkalinity_mol, v.carbon_mol, v.calcium_mol, v.ammonia_mol)
    return [amount / v.volume_m3 for amount in amounts]


@pytest.mark.parametrize("lights", [False, True])
def test_a_display_without_flow_is_solved_by_scipy_too(lights: bool) -> None:
    """The same equations in LSODA, with `water.equilibrium` and its own pH by halving."""
    day = DaySpec(0.0, 0.0, 24.0 if lights else 0.0, 0.0, room_swing_k=0.0)
    spec = bench(day=day)
    plant = Plant(spec, START_US, [Fault("return-pump-stopped"), Fault("ammonia-high")], NODES)
    for _ in range(120):  # what stands above the crest runs off
        plant.step(10.0)
    begin, north = state(plant, "north"), plant.works.vessels["north"]
    volume, area, stocking = north.volume_m3, north.area_m2, spec.stocking
    constants, rho = equilibrium(35.0, 25.5), density_kg_m3(35.0, 25.5)
    saturation = saturation_mg_L(35.0, 25.5)
    k_h = stocking.still_cm_h / 100.0 * area / volume  # no circulation in a quiet plant
    slower = (schmidt_number("oxygen", 25.0) / schmidt_number("carbon-dioxide", 25.0)) ** 0.5
    warm = 2.0**0.05
    built_h = plant.life._built_mol_m3_h * (stocking.light_enhancement if lights else 1.0)

    def slope(_h: float, y: list[float]) -> list[float]:
        oxygen, alkalinity, carbon, calcium, ammonia = y
        ph = constants.ph_from_dic(alkalinity / rho, carbon / rho)
        gas = constants.pco2(ph, carbon / rho)
        omega = calcium / rho * constants.carbonate_ion(ph, carbon / rho) / constants.k_aragonite
        limit = oxygen / (oxygen + stocking.half_mg_l)
        uptake = stocking.uptake_mg_l_h * warm
        breath = uptake * limit
        light = stocking.daylight * uptake if lights else 0.0
        nitrogen = ammonia * 14.007
        nitrified = stocking.nitrified_mg_l_h * warm * limit * nitrogen / 14.007
        nitrified /= nitrogen + stocking.nitrify_half_mg_l
        excreted = stocking.excreted * uptake * limit / 31.9988
        decay = 0.6 / 14.007 / volume
        built = built_h * warm * (omega - 1.0) / (plant.life._omega - 1.0)
        lost = 4.0 * 0.6 / volume
        return [
            k_h * (saturation - oxygen) + light - breath - nitrified * 64.0 - lost,
            excreted - 2.0 * nitrified - 2.0 * built + decay,
            (breath - light + lost) / 31.9988
            - built
            + k_h * slower * constants.k0 * rho * (AIR_ATM - gas),
            -built,
            excreted - nitrified + decay,
        ]

    hours = 2.0
    solved = solve_ivp(slope, (0.0, hours), begin, method="LSODA", rtol=1e-8, atol=1e-10)
    for _ in range(round(hours * 360)):
        plant.step(10.0)
    found = state(plant, "north")
    changes = [abs(end - start) for end, start in zip(solved.y[:, -1], begin, strict=True)]
    for value, end, change in zip(found, solved.y[:, -1], changes, strict=True):
        assert value == pytest.approx(end, abs=0.005 * change + 1e-6)
    assert changes[0] > 1.0


def test_the_result_does_not_depend_on_the_step() -> None:
    """At 2.5 s life is stepped every 30 s, at 60 s every 60 s, at 7 s every 35 s."""
    faults = [Fault("reactor-co2-runaway", 3600.0), Fault("oxygen-low", 7200.0)]
    plants = [run(SPEC, 6 * 3600.0, faults, step_s) for step_s in (7.0, 60.0)]
    fine = run(SPEC, 6 * 3600.0, faults, 2.5)
    for coarse in plants:
        for name, habitat in fine.life.habitats.items():
            assert coarse.life.habitats[name].ph_nbs == pytest.approx(habitat.ph_nbs, abs=0.01)
            assert state(coarse, name)[0] == pytest.approx(state(fine, name)[0], abs=0.1)
            assert state(coarse, name)[1] == pytest.approx(state(fine, name)[1], abs=0.005)


def test_a_normal_day_swings_as_the_trade_says() -> None:
    """pH by 0.15 to 0.4, alkalinity nearly level (common practice, no source)."""
    plant = run(SPEC, 2 * 86_400.0, step_s=60.0)
    ph, oxygen, dkh = [], [], []
    for _ in range(1440):
        plant.step(60.0)
        ph.append(plant.life.habitats["sump"].ph_nbs)
        oxygen.append(state(plant, "north")[0])
        dkh.append(2.804 * state(plant, "sump")[1])
    assert 0.15 < max(ph) - min(ph) < 0.4
    assert 7.82 < min(ph) < max(ph) < 8.3
    assert 5.0 < min(oxygen) < max(oxygen) < 9.0
    assert 7.5 < min(dkh) < max(dkh) < 8.5
    assert max(dkh) - min(dkh) < 0.5


def test_water_in_which_nothing_lives_comes_into_balance_with_the_room() -> None:
    """`water.oxygen` and `water.carbonate`: where oxygen and pH of lifeless water end."""
    spec = bench(stocking=DEAD, air=AirSpec(people_l_h=0.0, outdoor_ppm=800.0))
    plant = run(spec, 6 * 86_400.0, step_s=60.0)
    oxygen, alkalinity = state(plant, "north")[:2]
    assert oxygen == pytest.approx(saturation_mg_L(35.0, 25.5), abs=0.01)
    umol_kg = meq_L_to_umol_kg(alkalinity, 35.0, 25.5)
    balanced = ph_from_alkalinity_pco2(
        umol_kg, pco2_from_room_ppm(800.0, 35.0, 25.5), 35.0, 25.5, "nbs"
    )
    assert plant.life.habitats["north"].ph_nbs == pytest.approx(balanced, abs=0.003)


def test_skeletons_take_what_they_are_said_to_take() -> None:
    spec = bench(stocking=Stocking(uptake_mg_l_h=1e-9, excreted=0.0))
    plant = run(spec, 0.0)
    before = [plant.works.system_m3 * value for value in state(plant, "north")]
    for _ in range(1440):
        plant.step(60.0)
    built = plant.ledger.built_mol
    dkh = 2.0 * built / plant.works.system_m3 * 2.804
    assert dkh == pytest.approx(1.0, rel=0.25)  # saturation moves with the pH along the day
    stored = sum(v.alkalinity_mol for v in plant.works.vessels.values())
    assert stored == pytest.approx(before[1] - 2.0 * built + plant.ledger.dosed_mol, rel=0.01)


def test_a_warm_night_takes_more_oxygen_by_q10() -> None:
    cold, warm = (
        Plant(bench(start_degc=degc, stocking=Stocking(excreted=0.0)), START_US)
        for degc in (20.0, 30.0)
    )
    taken = []
    for plant in (cold, warm):
        plant.step(60.0)
        before = plant.works.vessels["north"].carbon_mol
        habitat = plant.life.habitats["north"]
        warm = 2.0 ** ((plant.degc(plant.works.vessels["north"]) - 25.0) / 10.0)
        plant.life._breathe(habitat, plant.upset, warm, False, 0.01, 0.0, 1.0)
        taken.append(plant.works.vessels["north"].carbon_mol - before)
    assert taken[1] / taken[0] == pytest.approx(2.0, rel=0.02)


def test_light_fixes_no_more_carbon_than_there_is() -> None:
    """A tank full of algae under lights that never go off, and nothing that stirs."""
    crowded = replace(Stocking(), uptake_mg_l_h=20.0, most_deficit_mg_l=5.0, daylight=20.0)
    spec = replace(SPEC, stocking=crowded)
    plant = run(spec, 86_400.0, [Fault("light-stuck"), Fault("circuit-lost")], step_s=30.0)
    for habitat in plant.life.habitats.values():
        water = habitat.vessel
        assert water.carbon_mol > 0.0
        assert 4.0 < habitat.ph_nbs < 12.0
    north = plant.works.vessels["north"]
    assert north.carbon_mol / north.volume_m3 < 0.5  # of 2: it was about to


def test_no_plant_starts_so_full_that_it_suffocates() -> None:
    spec = replace(SPEC, stocking=Stocking(uptake_mg_l_h=20.0))
    plant = run(spec, 7 * 3600.0, step_s=60.0)  # at the end of its first night
    assert state(plant, "north")[0] > 4.8


def test_carbon_dioxide_of_the_room_follows_its_closed_form() -> None:
    """dC/dt = E/V − n (C − Cout): 300 L/h into 80 m³ with half a change of air an hour."""
    plant = run(SPEC, 2 * 3600.0, [Fault("room-co2-high")], step_s=30.0)
    rest = 470.0 + 300.0 / 80.0 * 1000.0 / 0.5
    assert plant.air.co2_ppm == pytest.approx(rest + (470.0 - rest) * exp(-1.0), rel=1e-3)


def test_a_worn_contact_warms_its_strip_as_one_lump() -> None:
    plant = run(SPEC, 600.0, [Fault("electrical-overheat")], step_s=30.0)
    assert plant.strip.rise_k == pytest.approx(6.0 + 72.0 * (1.0 - exp(-1.0)), rel=1e-3)


def test_lime_water_raises_alkalinity_and_calcium_two_to_one() -> None:
    """Saturated lime-water holds 40.6 meq/L: row 4.43 of the check values."""
    spec = bench(stocking=DEAD)
    plant = run(spec, 3600.0, [Fault("ph-high")], step_s=30.0)
    water = plant.works.system_m3 + plant.works.riser.volume_m3
    charge = sum(v.alkalinity_mol for v in plant.works.vessels.values())
    charge += plant.works.riser.alkalinity_mol
    added = charge - (water - 0.03) * 8.0 / 2.8039
    assert added == pytest.approx(0.03 * 40.6, rel=0.01)
    assert plant.ledger.calcium_mol == pytest.approx(0.5 * added, rel=0.01)
    assert plant.life.habitats["sump"].ph_nbs > 8.35


def test_the_keeper_doses_by_hand_where_no_reactor_does() -> None:
    plant = run(replace(SPEC, reactor=ReactorSpec(loop="none")), 12 * 86_400.0, step_s=60.0)
    assert plant.reactor is None
    assert plant.ledger.dosed_mol > 3.0
    assert 2.804 * state(plant, "sump")[1] > 6.5


def test_an_overdose_is_what_the_container_held() -> None:
    plant = run(bench(stocking=DEAD), 8 * 3600.0, [Fault("alkalinity-overdose")], step_s=30.0)
    assert 2.8039 * state(plant, "north")[1] == pytest.approx(12.0, abs=0.05)
    assert plant.active_faults == ()  # the container is empty
