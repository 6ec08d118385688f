from dataclasses import replace

import pytest

from weirsim.faults import Fault
from weirsim.harbour_hall import SPEC
from weirsim.model import Plant
from weirsim.plant import TopOffSpec
from weirwatch.cli.plant_spec import to_plant_spec
from weirwatch.pipeline.plant_figures import drain_back_total_l
from weirwatch.settings import (
    HeaterSettings,
    LoopSettings,
    PlantSettings,
    PumpSettings,
    TopOffSettings,
    VesselSettings,
)

SETTINGS = PlantSettings(
    system="harbour-hall",
    vessels=(
        VesselSettings(
            "north", "North", "display", 1400, 1.2, 1.21, None, 1.1574, 0.44, 0.09, True, "x"
        ),
        VesselSettings("south", "South", "display", 900, 0.8, 1.17, None, 1.1157, 0.28, 0.09, True),
        VesselSettings(
            "refuge", "Refuge", "refuge", 260, 0.5, 0.56, None, 0.5144, 0.25, 0.03, True
        ),
        VesselSettings("sump", "Sump", "sump", 420, 1.0, 0.42, 300),
        VesselSettings("reservoir", "Reservoir", "reservoir", 120, 0.2, 0.62),
    ),
    pump=PumpSettings("return", 6000, 1.9, 4.5, 8.0, 0.0409, 110),
    loops=(
        LoopSettings("uv", "UV", "sump", 1000),
        LoopSettings("refuge", "Refuge", "refuge", 700),
        LoopSettings("reactor", "Reactor", "sump", 60),
    ),
    heaters=(
        HeaterSettings("heater-1", "sump", 300, 25.5, 0.2),
        HeaterSettings("heater-2", "sump", 300, 25.4, 0.2),
    ),
    top_off=TopOffSettings("reservoir", 30, 300, 3),
    room_degc=22.0,
    loss_w_per_k=45.0,
    evaporation_l_per_day=14.0,
    salinity=35.0,
)


def test_every_field_arrives_where_it_belongs() -> None:
    assert to_plant_spec(SETTINGS) == SPEC


@pytest.mark.parametrize(
    "settings",
    [
        SETTINGS,
        replace(SETTINGS, loops=(*SETTINGS.loops, LoopSettings("extra", "Extra", "north", 1500))),
        replace(SETTINGS, pump=replace(SETTINGS.pump, pipe_m=30.0, pipe_d_m=0.06)),
    ],
    ids=["as the demo", "a loop into a display", "a long riser"],
)
def test_the_drain_back_that_limits_follow_from_is_that_of_the_simulator(
    settings: PlantSettings,
) -> None:
    spec = to_plant_spec(replace(settings, top_off=None, evaporation_l_per_day=0.0))
    plant = Plant(spec, 0, [Fault("return-pump-stopped", 60.0), Fault("skimmer-flow-lost")])
    while plant.elapsed_s < 3600.0:
        plant.step(2.5)
    drained_l = 1000.0 * plant.works.sump.volume_m3 - 300.0
    assert drain_back_total_l(settings) == pytest.approx(drained_l, rel=0.05)


def test_a_plant_without_top_off_and_with_a_missing_siphon_break() -> None:
    vessels = (replace(SETTINGS.vessels[0], siphon_break=False), *SETTINGS.vessels[1:])
    spec = to_plant_spec(replace(SETTINGS, top_off=None, vessels=vessels))
    assert spec.top_off is None
    assert not spec.vessels[0].siphon_break
    assert isinstance(to_plant_spec(SETTINGS).top_off, TopOffSpec)
