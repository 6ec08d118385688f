"""A picture of a running plant at one moment, for whoever draws it."""

from collections.abc import Sequence
from dataclasses import dataclass

from weirsim.model import Plant
from weirsim.publish import LinkState
from weirsim.vessels import Water
from weirwatch.water.carbonate import DKH_PER_MEQ_L


@dataclass(frozen=True, slots=True)
class VesselView:
    """One vessel.

    Attributes:
        level_m: surface above its floor.
        head_m: surface above the crest of its overflow, at least 0.
        share: contents as a share of the contents at the rim.
    """

    id: str
    role: str
    volume_l: float
    level_m: float
    head_m: float
    share: float
    degc: float


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The true state of a plant: not what its probes say.

    Attributes:
        time_us: plant time, microseconds since the Unix epoch.
        elapsed_s: virtual seconds since the start.
        vessels: in the order of the spec.
        flows_l_h: by branch: loops, displays, `return`, `skimmer`.
        room_degc: the room's temperature.
        salinity: practical salinity of the sump.
        ph: of the sump, NBS scale.
        oxygen_mg_l: of the first display.
        alkalinity_dkh: of the sump.
        heater_w: heat of all heaters.
        mains, pump_on, top_off_on, lights_on: what runs.
        floor_l: water on the sump room's floor.
        lost_l: water that left over a rim or through a leak elsewhere.
        battery: charge of the battery node, 0 to 1.
        faults: ids of the faults that stand.
        links: the nodes' links to the broker.
    """

    time_us: int
    elapsed_s: float
    vessels: tuple[VesselView, ...]
    flows_l_h: dict[str, float]
    room_degc: float
    salinity: float
    ph: float
    oxygen_mg_l: float
    alkalinity_dkh: float
    heater_w: float
    mains: bool
    pump_on: bool
    top_off_on: bool
    lights_on: bool
    floor_l: float
    lost_l: float
    battery: float
    faults: tuple[str, ...]
    links: tuple[LinkState, ...]


def snapshot(plant: Plant, links: Sequence[LinkState] = ()) -> Snapshot:
    """Return the picture of a plant now."""
    works = plant.works
    display = works.vessels[plant.spec.displays[0].id]
    branches = [branch.id for branch in (*works.circuit.loops, *works.circuit.displays)]
    return Snapshot(
        time_us=plant.time_us,
        elapsed_s=plant.elapsed_s,
        vessels=tuple(
            VesselView(
                id=vessel.spec.id,
                role=vessel.spec.role,
                volume_l=1000.0 * vessel.volume_m3,
                level_m=vessel.level_m,
                head_m=vessel.head_m,
                share=vessel.volume_m3 / vessel.rim_m3,
                degc=plant.room_degc if vessel.spec.role == "reservoir" else plant.degc(vessel),
            )
            for vessel in works.vessels.values()
        ),
        flows_l_h={name: plant.flow_l_h(name) for name in (*branches, "return", "skimmer")},
        room_degc=plant.room_degc,
        salinity=plant.salinity(works.sump),
        ph=plant.life.habitats[works.sump.spec.id].ph_nbs,
        oxygen_mg_l=_per_m3(display.oxygen_g, display),
        alkalinity_dkh=DKH_PER_MEQ_L * _per_m3(works.sump.alkalinity_mol, works.sump),
        heater_w=plant.warmth.heater_w,
        mains=plant.upset.mains,
        pump_on=plant.pump_on,
        top_off_on=works.top_off is not None and works.top_off.running,
        lights_on=plant.lights,
        floor_l=1000.0 * works.floor.volume_m3,
        lost_l=1000.0 * plant.ledger.lost.volume_m3,
        battery=plant.battery.charge,
        faults=plant.active_faults,
        links=tuple(links),
    )


def _per_m3(amount: float, water: Water) -> float:
    return amount / water.volume_m3 if water.volume_m3 > 0.0 else 0.0
