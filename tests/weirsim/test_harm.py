"""Harm times against closed forms and an independent solver."""

from collections.abc import Callable
from dataclasses import replace
from math import log

import pytest

from weirsim.faults import Fault
from weirsim.harbour_hall import NODES, SPEC
from weirsim.harm import METERS, Harm
from weirsim.harm_watch import HarmWatch
from weirsim.model import Plant
from weirsim.plant import DaySpec, HeaterSpec, PlantSpec
from weirwatch.water.hydraulics import weir_head_m

STILL_AIR = DaySpec(room_swing_k=0.0, lights_w_per_m2=0.0)


def harm_of(
    meter: str,
    *faults: Fault,
    spec: PlantSpec = SPEC,
    hours: float = 8.0,
    step_s: float = 2.5,
) -> tuple[float, Harm] | None:
    """Return hours until the first harm of one meter has begun, and the harm."""
    plant = Plant(spec, 0, faults, NODES)
    watch = HarmWatch(plant, [meter])
    while plant.elapsed_s < hours * 3600.0:
        plant.step(step_s)
        watch.look()
        if watch.harm is not None and watch.harm.at_us <= plant.time_us:
            return plant.elapsed_s / 3600.0, watch.harm
    return None


def test_a_leak_on_the_floor_spreads_when_inflow_less_drying_comes_to_five_litres() -> None:
    found = harm_of("floor-spreads", Fault("floor-leak"))
    assert found is not None
    assert found[0] * 3600.0 == pytest.approx(3600.0 * 5.0 / (300.0 - 2.0), abs=2.6)
    assert found[1].source == "common practice, no source"


def test_a_blocked_display_runs_over_when_its_inflow_has_filled_it_to_the_rim() -> None:
    plant = Plant(SPEC, 0)
    plant.step(2.5)
    north, inflow_l_h = SPEC.vessel("north"), plant.flow_l_h("north")
    head_m = weir_head_m(inflow_l_h / 3.6e6, north.crest_length_m or 0.0)
    room_l = 1000.0 * (north.height_m - (north.crest_m or 0.0) - head_m) * north.area_m2 + 0.5
    found = harm_of("display-over-rim", Fault("overflow-blocked"))
    assert found is not None
    # The lift grows as the sump falls, so the flow falls a little on the way: under 3 %.
    assert found[0] == pytest.approx(room_l / inflow_l_h, rel=0.03)


def test_a_blocked_siphon_break_floods_and_a_working_one_does_not() -> None:
    stop = Fault("return-pump-stopped")
    assert harm_of("floor-wet", stop, hours=1.0) is None
    assert harm_of("floor-wet", stop, Fault("siphon-break-blocked"), hours=1.0) is not None


def test_the_battery_is_empty_after_its_hours() -> None:
    found = harm_of("battery-empty", Fault("mains-lost"), hours=13.0, step_s=30.0)
    assert found is not None
    assert found[0] == pytest.approx(SPEC.power.battery_h, abs=0.01)


def test_fresh_water_dilutes_by_one_unit_when_the_water_has_grown_by_a_thirtyfourth() -> None:
    # S' = S V / (V + w): S − 1 at w = V / (S − 1). The top-off gives 30 L/h.
    spec = replace(SPEC, evaporation_l_per_day=0.0)
    plant = Plant(spec, 0)
    water_l = 1000.0 * (
        plant.works.riser.volume_m3
        + sum(v.volume_m3 for v in plant.works.vessels.values() if v.spec.role != "reservoir")
    )
    found = harm_of("salinity-rate", Fault("top-off-stuck-on"), spec=spec)
    assert found is not None
    # Fresh water reaches the sump first: the display is a few minutes behind all of the water.
    assert 0.0 < found[0] - water_l / 34.0 / 30.0 < 0.15


def test_a_display_without_mains_cools_by_newtons_law_to_its_limit() -> None:
    spec = replace(SPEC, room_degc=14.0, evaporation_l_per_day=0.0, day=STILL_AIR)
    found = harm_of("temperature-band", Fault("mains-lost"), spec=spec, hours=80.0, step_s=60.0)
    plant = Plant(spec, 0)
    walls = {
        v.id: (v.working_l or v.volume_l) ** (2.0 / 3.0)
        for v in spec.vessels
        if v.role != "reservoir"
    }
    loss_w_k = spec.loss_w_per_k * walls["south"] / sum(walls.values())
    south = plant.works.vessels["south"]
    tau_h = plant.heat_j_m3_k * south.crest_m3 / loss_w_k / 3600.0
    assert found is not None
    assert found[0] == pytest.approx(tau_h * log((25.5 - 14.0) / (20.0 - 14.0)), rel=0.01)


def test_the_rate_of_a_far_too_strong_heater_is_power_over_heat_capacity() -> None:
    heater = HeaterSpec("big", "sump", 9000.0, 25.5, 0.2)
    spec = replace(SPEC, heaters=(heater,), evaporation_l_per_day=0.0, day=STILL_AIR)
    found = harm_of("temperature-rate", Fault("heater-stuck-on"), spec=spec)
    plant = Plant(spec, 0)
    water_m3 = plant.works.riser.volume_m3 + sum(
        v.volume_m3 for v in plant.works.vessels.values() if v.spec.role != "reservoir"
    )
    k_h = (9000.0 + 110.0 + 60.0 + 20.0 - 45.0 * 3.5) * 3600.0 / (plant.heat_j_m3_k * water_m3)
    assert found is not None
    assert found[0] == pytest.approx(0.5 / k_h, abs=0.15)  # the display lags behind the sump
    assert found[0] > 0.5 / k_h


def test_a_pump_that_draws_air_is_harmed_after_a_minute() -> None:
    plant = Plant(SPEC, 0)
    plant.works.sump.volume_m3 = 0.06
    watch = HarmWatch(plant, ["pump-dry"])
    while watch.harm is None and plant.elapsed_s < 600.0:
        plant.step(2.5)
        watch.look()
    assert plant.elapsed_s == pytest.approx(60.0, abs=5.1)


def test_the_reservoir_is_dry_when_it_has_been_pumped_out() -> None:
    found = harm_of("reservoir-dry", Fault("top-off-stuck-on"))
    assert found is not None
    assert found[0] == pytest.approx(120.0 / 30.0, abs=0.02)


@pytest.mark.parametrize("fault", ["mains-lost", "return-pump-stopped", "circuit-lost"])
def test_the_oxygen_lasts_some_hours_of_a_night_without_flow(fault: str) -> None:
    found = harm_of("oxygen", Fault(fault), hours=12.0, step_s=30.0)  # begins at 01:00
    assert found is not None
    assert 2.0 < found[0] < 9.0  # a few hours at night, as the trade says


def test_harm_by_oxygen_begins_when_the_first_display_is_at_the_limit() -> None:
    plant = Plant(SPEC, 0, [Fault("mains-lost")], NODES)
    watch = HarmWatch(plant, ["oxygen"])
    while watch.harm is None:
        before = min(oxygen_mg_l(plant, name) for name in ("north", "south", "refuge"))
        plant.step(30.0)
        watch.look()
    after = min(oxygen_mg_l(plant, name) for name in ("north", "south", "refuge"))
    assert after <= 3.0 < before


def oxygen_mg_l(plant: Plant, name: str) -> float:
    vessel = plant.works.vessels[name]
    return vessel.oxygen_g / vessel.volume_m3


def test_a_loop_that_stands_uses_up_its_oxygen_in_a_straight_line() -> None:
    plant = Plant(SPEC, 0, [Fault("side-loop-flow-lost", 600.0)], NODES)
    watch = HarmWatch(plant, ["loop-oxygen"])
    start = 0.0
    while watch.harm is None:
        start = oxygen_mg_l(plant, "sump")
        plant.step(2.5)
        watch.look()
    assert plant.elapsed_s == pytest.approx(602.5)
    assert (watch.harm.at_us / 1e6 - 602.5) / 3600.0 == pytest.approx(start - 3.0, abs=0.01)


def test_harm_that_was_coming_is_called_off_when_the_pump_runs_again() -> None:
    plant = Plant(SPEC, 0, [Fault("return-pump-stopped", 60.0, duration_s=600.0)], NODES)
    watch = HarmWatch(plant, ["loop-oxygen"])
    seen: list[bool] = []
    while plant.elapsed_s < 1200.0:
        plant.step(2.5)
        watch.look()
        seen.append(watch.harm is not None)
    assert (seen[0], any(seen), seen[-1]) == (False, True, False)


def test_harm_that_has_begun_stays() -> None:
    plant = Plant(SPEC, 0, [Fault("floor-leak", duration_s=60.0)], NODES)
    watch = HarmWatch(plant, ["floor-wet"])
    while plant.elapsed_s < 9000.0:
        plant.step(10.0)
        watch.look()
    assert plant.works.floor.volume_m3 < 0.5e-3  # it has dried
    assert watch.harm is not None
    assert watch.harm.at_us < 30_000_000


@pytest.mark.parametrize("meter", METERS)
def test_nothing_is_harmed_while_everything_runs(meter: str) -> None:
    assert harm_of(meter, hours=2.0, step_s=10.0) is None


@pytest.mark.parametrize("part", [lambda m: m.says, lambda m: m.source], ids=["says", "source"])
def test_every_meter_says_what_it_is_and_where_its_threshold_is_from(
    part: Callable[[object], str],
) -> None:
    assert all(part(meter) for meter in METERS.values())


def test_an_unknown_meter_is_refused() -> None:
    with pytest.raises(KeyError):
        HarmWatch(Plant(SPEC, 0), ["wind"])
