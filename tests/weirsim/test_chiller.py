"""The chiller: its thermostat, what it takes out of the water, and when it stands."""

from dataclasses import replace
from itertools import pairwise

import pytest
from support.plants import START_US, WITH_CHILLER, quiet, run

from weirsim.faults import Fault
from weirsim.gear import ChillerSpec
from weirsim.harbour_hall import NODES, SPEC
from weirsim.model import Plant
from weirsim.plant import PlantSpec
from weirsim.truth import reader
from weirwatch.water.heat import heat_capacity_j_k, stuck_on_rate_k_h

IN_SUMP = ChillerSpec("chiller", 600.0, 26.5, 0.6, vessel="sump", electric_w=200.0)
ON_UV = replace(IN_SUMP, vessel="", loop="uv")


def warm(chiller: ChillerSpec, **changes: object) -> PlantSpec:
    """Return a plant in a hot room, without heaters."""
    return quiet(SPEC, heaters=(), chiller=chiller, start_degc=28.0, room_degc=30.0, **changes)


def all_water(plant: Plant) -> tuple[float, float]:
    """Return volume and heat of all the water but the reservoir's."""
    wet = [v for v in plant.works.vessels.values() if v.spec.role != "reservoir"]
    waters = [*wet, plant.works.riser]
    return sum(w.volume_m3 for w in waters), sum(w.heat_j for w in waters)


def test_it_holds_the_water_and_its_duty_is_the_heat_that_comes_in() -> None:
    """P duty = UA (Ta − Tw) over whole days: the heat balance of a plant that is held."""
    plant = run(warm(IN_SUMP, loss_w_per_k=80.0), 36 * 3600.0, step_s=10.0)
    start_j, degrees = plant.ledger.chiller_j, []
    for _ in range(48 * 360):
        plant.step(10.0)
        degrees.append(plant.degc(plant.works.sump))
    assert 26.1 < min(degrees) < max(degrees) < 26.9
    mean_w = (plant.ledger.chiller_j - start_j) / (48 * 3600.0)
    mean_degc = sum(degrees) / len(degrees)
    assert mean_w == pytest.approx(80.0 * (30.0 - mean_degc), rel=0.03)


def test_it_switches_at_both_ends_of_its_travel() -> None:
    plant = run(warm(IN_SUMP, loss_w_per_k=80.0), 0.0)
    seen = []
    for _ in range(48 * 360):
        plant.step(10.0)
        seen.append((plant.warmth.chiller_w, plant.degc(plant.works.sump)))
    switched = [(now, degc) for (was, _), (now, degc) in pairwise(seen) if was != now]
    assert len(switched) >= 4
    for watts, degc in switched:
        assert degc == pytest.approx(26.8 if watts else 26.2, abs=0.03)


@pytest.mark.parametrize("chiller", [IN_SUMP, ON_UV])
def test_it_cools_at_the_rate_of_its_power(chiller: ChillerSpec) -> None:
    """P/C without losses, as a heater warms: check value 6.7 has 0.1759 K/h for 600 W in 3 m³."""
    plant = run(warm(chiller, loss_w_per_k=0.0), 600.0)
    volume, begin_j = all_water(plant)
    began_s = plant.elapsed_s
    while plant.elapsed_s < began_s + 3600.0:
        plant.step(2.5)
    fell_k = (begin_j - all_water(plant)[1]) / (plant.heat_j_m3_k * volume)
    capacity = heat_capacity_j_k(volume, 35.0, 28.0)
    assert fell_k == pytest.approx(stuck_on_rate_k_h(600.0, capacity), rel=0.005)


def test_it_stands_when_it_fails_without_power_and_without_the_flow_of_its_loop() -> None:
    reasons = [
        (IN_SUMP, "chiller-failed", ""),
        (IN_SUMP, "mains-lost", ""),
        (ON_UV, "circuit-lost", ""),
        (ON_UV, "return-pump-stopped", ""),
        (ON_UV, "side-loop-flow-lost", "uv"),
    ]
    for chiller, fault, target in reasons:
        plant = run(warm(chiller), 900.0, [Fault(fault, 300.0, 1.0 if target else None, 300.0,
                                                 target)])  # fmt: skip
        assert plant.warmth.chiller_w == 600.0
        before = run(warm(chiller), 290.0)
        assert before.warmth.chiller_w == 600.0
        during = run(warm(chiller), 590.0, [Fault(fault, 300.0, target=target)])
        assert during.warmth.chiller_w == 0.0, fault
    in_vessel = run(warm(IN_SUMP), 590.0, [Fault("return-pump-stopped", 300.0)])
    assert in_vessel.warmth.chiller_w == 600.0  # it has a pump of its own


def test_heat_is_conserved_with_it() -> None:
    faults = (
        Fault("chiller-failed", 3000.0, duration_s=2000.0),
        Fault("mains-lost", 8000.0, duration_s=1500.0),
        Fault("room-too-hot", 0.0),
    )
    spec = replace(SPEC, chiller=replace(ON_UV, set_degc=25.0), start_degc=27.0)
    plant = Plant(spec, START_US, faults, NODES)

    def heat_j() -> float:
        works, reactor = plant.works, plant.reactor
        chamber = [reactor.water] if reactor else []
        gone = [plant.ledger.lost, plant.ledger.drained]
        waters = [
            *(v for v in works.vessels.values() if v.spec.role != "reservoir"),
            *(works.riser, works.floor, plant.cup.water, *chamber, *gone),
        ]
        return sum(water.heat_j for water in waters) - plant.ledger.heat_in_j

    begin_j = heat_j()
    for _ in range(8000):
        plant.step(2.5)
    assert plant.ledger.chiller_j > 1e6
    assert heat_j() == pytest.approx(begin_j, rel=1e-10)


def test_its_power_can_be_measured() -> None:
    plant = run(warm(IN_SUMP), 60.0)
    assert reader(plant, "chiller-power")() == 200.0
    assert reader(run(WITH_CHILLER, 60.0), "chiller-power")() == 0.0  # the water is cool
    with pytest.raises(ValueError, match="the plant has no chiller"):
        reader(run(SPEC, 0.0), "chiller-power")


@pytest.mark.parametrize(
    ("chiller", "says"),
    [
        (replace(IN_SUMP, vessel=""), "give either its vessel or its loop"),
        (replace(IN_SUMP, loop="uv"), "give either its vessel or its loop"),
        (replace(IN_SUMP, vessel="attic"), "no vessel 'attic'"),
        (replace(IN_SUMP, vessel="reservoir"), "cannot cool the reservoir"),
        (replace(ON_UV, loop="attic"), "no side loop 'attic'"),
        (replace(IN_SUMP, cooling_w=0.0), "must be above 0"),
    ],
)
def test_a_chiller_that_cannot_work_is_refused(chiller: ChillerSpec, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        replace(SPEC, chiller=chiller)
