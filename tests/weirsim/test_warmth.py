from dataclasses import replace
from itertools import pairwise

import pytest
from scipy.integrate import solve_ivp
from support.plants import ONE_DISPLAY, SMALL, START_US, STILL, quiet, run

from weirsim.climate import Climate
from weirsim.faults import Fault
from weirsim.harbour_hall import SPEC
from weirsim.model import Plant
from weirsim.plant import DaySpec, HeaterSpec, PlantSpec
from weirwatch.water.heat import (
    heat_capacity_j_k,
    hours_until,
    latent_heat_kj_kg,
    loss_from_heater_duty,
    saturation_pressure_pa,
    stuck_on_rate_k_h,
    temperature_after,
    time_constant_h,
)


def mean_degc(plant: Plant) -> float:
    wet = [v for v in plant.works.vessels.values() if v.spec.role != "reservoir"]
    wet_j = sum(vessel.heat_j for vessel in wet) + plant.works.riser.heat_j
    wet_m3 = sum(vessel.volume_m3 for vessel in wet) + plant.works.riser.volume_m3
    return wet_j / (plant.heat_j_m3_k * wet_m3)


def wet_m3(plant: Plant) -> float:
    wet = [v for v in plant.works.vessels.values() if v.spec.role != "reservoir"]
    return sum(vessel.volume_m3 for vessel in wet) + plant.works.riser.volume_m3


def test_a_cool_down_follows_the_closed_form() -> None:
    """Newton's law: T∞ + (T0 − T∞) exp(−t UA / C), with the pump mixing all of the water."""
    spec = quiet(SPEC, heaters=(), start_degc=26.0, room_degc=18.0, loss_w_per_k=60.0)
    plant = run(spec, 0.0)
    tau_h = time_constant_h(heat_capacity_j_k(wet_m3(plant), 35.0, 26.0), 60.0)
    for hours in (6.0, 24.0, 48.0):
        while plant.elapsed_s < hours * 3600.0:
            plant.step(10.0)
        expected = temperature_after(hours, 26.0, 18.0, tau_h)
        assert mean_degc(plant) == pytest.approx(expected, abs=0.02)
    assert 48.0 > hours_until(22.0, 26.0, 18.0, tau_h) > 24.0
    assert mean_degc(plant) < 22.0


def test_a_power_cut_cools_every_vessel_by_itself() -> None:
    """Standing vessels, scipy's solver on each one's own balance: conduction and evaporation."""
    spec = replace(SPEC, day=STILL, start_degc=25.5)
    plant = Plant(spec, START_US, [Fault("mains-lost")])
    plant.step(2.5)
    climate = Climate(spec)
    air = climate.air_pa(22.0)
    for _ in range(round(2 * 3600 / 2.5)):  # everything has drained back
        plant.step(2.5)
    begin = {name: plant.degc(v) for name, v in plant.works.vessels.items()}
    volumes = {name: v.volume_m3 for name, v in plant.works.vessels.items()}
    hours = 20.0
    for _ in range(round(hours * 360)):
        plant.step(10.0)
    for name in ("north", "refuge", "sump"):

        def slope(_: float, degc: list[float], name: str = name) -> list[float]:
            conducted = climate.loss_w_k[name] * (degc[0] - 22.0)
            vapour = climate.evaporation_m3_s(name, degc[0], air) * climate.latent_j_m3
            return [-(conducted + vapour) / (plant.heat_j_m3_k * volumes[name])]

        exact = solve_ivp(slope, (0.0, hours * 3600.0), [begin[name]], rtol=1e-8).y[0][-1]
        assert plant.degc(plant.works.vessels[name]) == pytest.approx(exact, abs=0.02)
        assert begin[name] - exact > 0.5


@pytest.mark.slow
def test_thermostats_hold_the_water_and_their_duty_shows_the_loss() -> None:
    """P duty = UA (Tw − Ta) over whole days, read back with water.heat."""
    spec = quiet(SPEC, loss_w_per_k=80.0)
    plant = run(spec, 36 * 3600.0, step_s=10.0)
    start_j, temperatures = plant.ledger.heaters_j, []
    for _ in range(48 * 360):
        plant.step(10.0)
        temperatures.append(plant.degc(plant.works.sump))
    assert 25.25 < min(temperatures) < max(temperatures) < 25.65
    power_w = 600.0
    duty = (plant.ledger.heaters_j - start_j) / (power_w * 48 * 3600.0)
    mean = sum(temperatures) / len(temperatures)
    assert loss_from_heater_duty(power_w, duty, mean, 22.0) == pytest.approx(80.0, rel=0.03)


def test_a_thermostat_switches_at_both_ends_of_its_travel() -> None:
    heater = HeaterSpec("one", "sump", 600.0, 25.0, 1.0)
    spec = quiet(SPEC, heaters=(heater,), loss_w_per_k=60.0)
    plant = run(spec, 0.0)
    seen = []
    for _ in range(48 * 360):
        plant.step(10.0)
        seen.append((plant.warmth.heater_w, plant.degc(plant.works.sump)))
    switched = [(now, degc) for (was, _), (now, degc) in pairwise(seen) if was != now]
    assert len(switched) >= 4
    for watts, degc in switched:
        assert degc == pytest.approx(24.5 if watts else 25.5, abs=0.01)


def test_a_heater_stuck_on_warms_at_the_rate_of_its_power() -> None:
    """P/C without losses; check value 6.7 has 0.1759 K/h for 600 W in 3 m³."""
    spec = quiet(SPEC, loss_w_per_k=0.0, start_degc=25.5)
    plant = run(spec, 3600.0, [Fault("heater-stuck-on")])
    first = mean_degc(plant)
    for _ in range(1440 * 10):
        plant.step(2.5)
    capacity = heat_capacity_j_k(wet_m3(plant), 35.0, 25.5)
    assert mean_degc(plant) - first == pytest.approx(
        10.0 * stuck_on_rate_k_h(600.0, capacity), rel=0.002
    )
    assert mean_degc(plant) > 27.0
    assert stuck_on_rate_k_h(600.0, heat_capacity_j_k(3.0, 35.0, 25.0)) == pytest.approx(
        0.1759, abs=0.001
    )


def test_failed_heaters_let_the_water_cool_and_one_alone_can_fail() -> None:
    both = run(SPEC, 12 * 3600.0, [Fault("heater-failed-off")], step_s=10.0)
    assert mean_degc(both) < 25.0
    one = run(SPEC, 12 * 3600.0, [Fault("heater-failed-off", target="heater-1")], step_s=10.0)
    assert one.warmth.heater_w in (0.0, 300.0)
    assert mean_degc(one) > mean_degc(both)


@pytest.mark.slow
def test_the_steady_temperature_of_a_plant_without_heaters_balances_its_pumps() -> None:
    """(T − Ta) = P / UA, all pump power ending in the water."""
    bare = quiet(ONE_DISPLAY, loss_w_per_k=50.0, room_degc=20.0)
    warm = replace(bare, pump=replace(bare.pump, power_w=200.0), start_degc=23.0)
    plant = run(warm, 20 * 86_400.0, step_s=60.0)
    assert mean_degc(plant) == pytest.approx(24.0, abs=0.05)


def test_evaporation_is_the_spec_at_its_own_conditions_and_grows_with_the_driving_pressure() -> (
    None
):
    climate = Climate(SPEC)
    air = climate.air_pa(22.0)
    wet = ("north", "south", "refuge", "sump")
    total = sum(climate.evaporation_m3_s(name, 25.5, air) for name in wet)
    assert total * 86_400e3 == pytest.approx(14.0, rel=1e-9)
    # by surface
    assert climate.evaporation_m3_s("north", 25.5, air) == pytest.approx(total * 1.2 / 3.5)
    warmer = climate.evaporation_m3_s("north", 28.0, air)
    salt = 1.0 - 0.000537 * 35.0
    expected = (saturation_pressure_pa(28.0) * salt - air) / (
        saturation_pressure_pa(25.5) * salt - air
    )
    assert warmer / climate.evaporation_m3_s("north", 25.5, air) == pytest.approx(
        expected, rel=1e-3
    )
    assert climate.evaporation_m3_s("north", 5.0, air) == 0.0


def test_evaporation_takes_its_latent_heat() -> None:
    """1 kg/day takes 28.2 W (check value 6.16: 20 kg/day take 564.0 W)."""
    climate = Climate(SPEC)
    assert climate.latent_j_m3 / 1000.0 / 86_400.0 == pytest.approx(28.2, abs=0.1)
    assert latent_heat_kj_kg(35.0, 25.5) * 1e6 == pytest.approx(climate.latent_j_m3)
    spec = quiet(SPEC, heaters=(), top_off=None, evaporation_l_per_day=20.0, start_degc=25.5)
    plant = run(spec, 86_400.0, step_s=10.0)
    assert plant.ledger.latent_j / plant.ledger.evaporated_m3 == pytest.approx(climate.latent_j_m3)


def test_in_another_season_the_same_plant_evaporates_by_the_room_it_then_has() -> None:
    """Dalton: 14 L/day at 22 °C, 28 % more at 14 °C, half as humid; not 14 L in every room."""

    def evaporated_l(spec: PlantSpec) -> float:
        climate = Climate(spec)
        air = climate.air_pa(spec.room_degc)
        wet = ("north", "south", "refuge", "sump")
        return 86_400e3 * sum(climate.evaporation_m3_s(name, 25.5, air) for name in wet)

    drive_pa = [
        saturation_pressure_pa(25.5) * (1.0 - 0.000537 * 35.0) - 0.5 * saturation_pressure_pa(room)
        for room in (22.0, 14.0)
    ]
    assert evaporated_l(SPEC) == pytest.approx(14.0)
    winter = SPEC.in_room(14.0)
    assert evaporated_l(winter) == pytest.approx(14.0 * drive_pa[1] / drive_pa[0], rel=1e-3)
    assert evaporated_l(winter.in_room(22.0)) == pytest.approx(14.0)
    assert evaporated_l(SPEC.in_room(45.0)) == 0.0  # steam bath: no mistake of the description


def test_a_room_too_moist_for_evaporation_is_refused() -> None:
    tropical = replace(SPEC, room_degc=40.0, day=DaySpec(room_humidity=1.0))
    with pytest.raises(ValueError, match="takes no evaporation"):
        Climate(tropical)
    Climate(replace(tropical, evaporation_l_per_day=0.0))


def test_the_room_is_warmest_at_three_in_the_afternoon() -> None:
    climate = Climate(SPEC)
    hours = {hour: climate.room_degc(hour * 3600.0, 0.0) for hour in range(24)}
    assert max(hours, key=lambda hour: hours[hour]) == 15
    assert hours[15] - hours[3] == pytest.approx(2.0)
    assert climate.room_degc(0.0, 5.0) == pytest.approx(hours[0] + 5.0)


@pytest.mark.slow
def test_a_day_at_harbour_hall_stays_within_what_is_normal() -> None:
    """Normal is a temperature swing of 0.3 to 0.6 K (common practice, no source)."""
    plant = run(SPEC, 86_400.0, step_s=10.0)
    seen = []
    for _ in range(2 * 8640):
        plant.step(10.0)
        seen.append(plant.degc(plant.works.vessels["north"]))
    assert 25.1 < min(seen) < max(seen) < 25.9
    assert 0.1 < max(seen) - min(seen) < 0.6


def test_lights_warm_the_displays_by_day_only() -> None:
    dark = replace(SPEC, day=replace(SPEC.day, lights_w_per_m2=0.0))
    plant, unlit = (run(spec, 86_400.0, step_s=10.0) for spec in (SPEC, dark))
    # 250 W/m² × 2 m² × half of it × 12 h
    assert plant.ledger.lights_j == pytest.approx(250.0 * 12 * 3600.0)
    assert unlit.ledger.lights_j == 0.0


@pytest.mark.parametrize("step_s", [2.5, 30.0, 60.0])
def test_a_sump_that_has_run_dry_keeps_no_heat_for_the_water_that_comes_back(
    step_s: float,
) -> None:
    """Its heater glows in the air for half a day; then the pump and a display's water return."""
    faults = [
        Fault("vessel-leaking", 0.0, 1.0, 12 * 3600.0, "sump"),
        Fault("return-pump-stopped", 0.0),
        Fault("skimmer-flow-lost", 0.0),
        Fault("siphon-break-blocked", 12 * 3600.0),
    ]
    spec = replace(SMALL, evaporation_l_per_day=5.0)
    plant = Plant(spec, START_US, faults)
    while plant.elapsed_s < 12 * 3600.0:
        plant.step(step_s)
    assert plant.works.sump.volume_m3 == 0.0
    assert plant.warmth.heater_w == 200.0
    while plant.elapsed_s < 13 * 3600.0:
        plant.step(step_s)
        sump = plant.works.sump
        assert sump.volume_m3 >= 0.0
        assert plant.room_degc - 1.0 < plant.degc(sump) < 40.0
    assert plant.works.sump.volume_m3 > 1e-3


@pytest.mark.parametrize("step_s", [2.5, 30.0, 60.0])
def test_a_vessel_that_dries_out_is_never_less_than_empty(step_s: float) -> None:
    """Ten times as much evaporates within a step in the end as there still is."""
    tank, sump = SMALL.vessels[0], replace(SMALL.vessels[1], working_l=20.0, area_m2=0.1)
    spec = replace(SMALL, vessels=(tank, sump), heaters=(), day=STILL)
    spec = replace(spec, evaporation_l_per_day=400.0, loss_w_per_k=7000.0)
    plant = Plant(spec, START_US, [Fault("return-pump-stopped"), Fault("skimmer-flow-lost")])
    while plant.elapsed_s < 36 * 3600.0:
        plant.step(step_s)
        assert plant.works.sump.volume_m3 >= 0.0
        assert 5.0 < plant.degc(plant.works.sump) < 25.0
    assert plant.works.sump.volume_m3 < 2e-3
