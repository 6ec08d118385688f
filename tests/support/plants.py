"""Small plants for the simulator's tests, and how to run them."""

from collections.abc import Sequence
from dataclasses import replace

from weirsim.faults import Fault
from weirsim.gear import ChillerSpec, ReactorSpec, SkimmateSpec
from weirsim.harbour_hall import NODES, SPEC
from weirsim.model import Plant
from weirsim.plant import DaySpec, HeaterSpec, PlantSpec, PowerSpec, PumpSpec, VesselSpec

START_US = 1_767_225_600_000_000  # 2026-01-01T00:00:00Z
STILL = DaySpec(lights_w_per_m2=0.0, room_swing_k=0.0)
NO_POWER = PowerSpec(circulation_w=0.0, skimmer_w=0.0)

# One display of 2 m² with a crest of 1 m and all of 6000 L/h: the plant of rows 7.6, 7.8 and 7.10
# of the project's check values (Francis, by formula).
ONE_DISPLAY = PlantSpec(
    system="bench",
    vessels=(
        VesselSpec("basin", "display", 2000.0, 2.0, 1.2, None, 1.0, 1.0, 0.025),
        VesselSpec("sump", "sump", 500.0, 1.0, 0.5, working_l=300.0),
    ),
    pump=PumpSpec("return", 6000.0, 1.9, 4.5, 6.0, 0.0409, 0.0, minor_k=4.0),
    day=STILL,
    power=NO_POWER,
    start_degc=25.0,
)

# One display of 300 L over a sump of 50, in a cool room: a hundredth of some plants.
SMALL = PlantSpec(
    system="cellar",
    vessels=(
        VesselSpec("tank", "display", 300.0, 0.5, 0.62, None, 0.59, 0.2, 0.03),
        VesselSpec("sump", "sump", 80.0, 0.25, 0.4, working_l=50.0),
    ),
    pump=PumpSpec("return", 1800.0, 1.2, 2.5, 2.0, 0.025, 25.0),
    heaters=(HeaterSpec("rod", "sump", 200.0, 25.0, 0.4),),
    room_degc=20.0,
    loss_w_per_k=7.0,
    evaporation_l_per_day=3.0,
)

WITH_CHILLER = replace(SPEC, chiller=ChillerSpec("chiller", 600.0, 26.5, 0.6, vessel="sump"))


def quiet(spec: PlantSpec = SPEC, **changes: object) -> PlantSpec:
    """Return a plant without lights, swing, evaporation, foam, reactor or heat of pumps."""
    bare = replace(
        spec,
        day=STILL,
        power=NO_POWER,
        pump=replace(spec.pump, power_w=0.0),
        evaporation_l_per_day=0.0,
        reactor=ReactorSpec(loop="none"),
        skimmate=SkimmateSpec(foam_l_h=0.0),
    )
    return replace(bare, **changes)  # type: ignore[arg-type]


def run(
    spec: PlantSpec, seconds: float, faults: Sequence[Fault] = (), step_s: float = 2.5
) -> Plant:
    """Return a plant that has run for a while."""
    plant = Plant(spec, START_US, faults, NODES)
    for _ in range(round(seconds / step_s)):
        plant.step(step_s)
    return plant


def sump_mm(plant: Plant) -> float:
    """Return the sump's level in millimetres."""
    return 1000.0 * plant.works.sump.level_m
