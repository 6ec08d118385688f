"""When does harm begin? Judged on the true state of the plant, never on what its probes say."""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from weirsim.model import Plant
from weirsim.plant import VesselSpec
from weirsim.vessels import Vessel
from weirwatch.water.carbonate import DKH_PER_MEQ_L
from weirwatch.water.oxygen import hours_until_critical

FLOOR_WET_L = 0.5
FLOOR_SPREADS_L = 5.0
ROOM_WET_L = 50.0
DRY_RUN_S = 60.0
COLDEST_DEGC, WARMEST_DEGC = 20.0, 30.0
FASTEST_K_H = 0.5
LEAST_SALINITY, MOST_SALINITY = 32.0, 37.5
SALINITY_A_DAY = 1.0
CRITICAL_MG_L = 3.0
LOWEST_PH, HIGHEST_PH = 7.6, 8.7
ALKALINITY_A_DAY = 1.0
MOST_AMMONIA_MG_L = 0.035
MOST_CO2_PPM = 5000.0
HOTTEST_STRIP_DEGC = 70.0
_PRACTICE = "common practice, no source"
_HOUR_US, _DAY_US = 3_600_000_000, 86_400_000_000
_LOOP_STANDS = 0.1  # share of its design flow below which a side loop counts as standing

Look = Callable[[Plant], int | None]  # the time of harm in µs, which may lie ahead; None: not yet


@dataclass(frozen=True, slots=True)
class Harm:
    """Harm that begins, or that will if nothing changes.

    Attributes:
        meter: which of `METERS`.
        at_us: when, microseconds since the Unix epoch.
        says: what it is.
        source: of its threshold.
    """

    meter: str
    at_us: int
    says: str
    source: str


@dataclass(frozen=True, slots=True)
class Meter:
    """One kind of harm: what it is, where its threshold comes from, and who looks for it."""

    says: str
    source: str
    make: Callable[[Plant], Look]


def _when(holds: Callable[[Plant], bool]) -> Callable[[Plant], Look]:
    return lambda _plant: lambda plant: plant.time_us if holds(plant) else None


def _floor(limit_l: float) -> Callable[[Plant], Look]:
    return _when(lambda plant: 1000.0 * plant.works.floor.volume_m3 > limit_l)


def _lost(limit_l: float) -> Callable[[Plant], Look]:
    return _when(lambda plant: 1000.0 * plant.ledger.lost.volume_m3 > limit_l)


def _reservoir_dry(plant: Plant) -> bool:
    works = plant.works
    if works.top_off is None:
        return False
    return works.vessels[works.top_off.spec.reservoir].volume_m3 < 1e-4


def _outside_band(plant: Plant) -> bool:
    degrees = [plant.degc(plant.works.vessels[v.id]) for v in plant.spec.displays]
    return min(degrees) < COLDEST_DEGC or max(degrees) > WARMEST_DEGC


def _first_display(plant: Plant) -> Vessel:
    return plant.works.vessels[plant.spec.displays[0].id]


def _salinity_off(plant: Plant) -> bool:
    return not LEAST_SALINITY <= plant.salinity(_first_display(plant)) <= MOST_SALINITY


def _ph_off(plant: Plant) -> bool:
    habitats = [plant.life.habitats[v.id] for v in plant.spec.displays]
    return any(not LOWEST_PH <= habitat.ph_nbs <= HIGHEST_PH for habitat in habitats)


def _alkalinity_dkh(plant: Plant) -> float:
    display = _first_display(plant)
    return DKH_PER_MEQ_L * display.alkalinity_mol / display.volume_m3


def _toxic(plant: Plant) -> bool:
    habitats = [plant.life.habitats[v.id] for v in plant.spec.displays]
    return any(habitat.unionised_mg_l > MOST_AMMONIA_MG_L for habitat in habitats)


def _changes(read: Callable[[Plant], float], limit: float, span_us: int) -> Callable[[Plant], Look]:
    """Harm when a value has changed by more than a limit within a span."""

    def make(_plant: Plant) -> Look:
        past: deque[tuple[int, float]] = deque()

        def look(plant: Plant) -> int | None:
            now, value = plant.time_us, read(plant)
            if not past or now - past[-1][0] >= span_us // 60:
                past.append((now, value))
            while past and now - past[0][0] > span_us:
                past.popleft()
            changed = max((abs(value - then) for _, then in past), default=0.0)
            return now if changed > limit else None

        return look

    return make


def _dry_run(_plant: Plant) -> Look:
    dry_us = 0
    seen_us: int | None = None

    def look(plant: Plant) -> int | None:
        nonlocal dry_us, seen_us
        drawing_air = plant.pump_on and plant.works.flow_share < 1.0
        since_us = 0 if seen_us is None else plant.time_us - seen_us
        dry_us = dry_us + since_us if drawing_air else 0
        seen_us = plant.time_us
        return plant.time_us if dry_us >= DRY_RUN_S * 1e6 else None

    return look


def _breathless(plant: Plant) -> bool:
    vessels = [plant.works.vessels[v.id] for v in (*plant.spec.displays, *_refuges(plant))]
    return min(_oxygen_mg_l(vessel) for vessel in vessels) <= CRITICAL_MG_L


def _refuges(plant: Plant) -> list[VesselSpec]:
    return [vessel for vessel in plant.spec.vessels if vessel.role == "refuge"]


def _oxygen_mg_l(vessel: Vessel) -> float:
    return vessel.oxygen_g / vessel.volume_m3 if vessel.volume_m3 > 0.0 else CRITICAL_MG_L + 1.0


def _loop_stands(plant: Plant) -> Look:
    harm_us: dict[str, int] = {}
    uptake = plant.spec.stocking.loop_uptake_mg_l_h

    def look(plant: Plant) -> int | None:
        for loop in plant.spec.loops:
            if plant.flow_l_h(loop.id) > _LOOP_STANDS * loop.flow_l_h:
                harm_us.pop(loop.id, None)
            elif loop.id not in harm_us:
                oxygen = _oxygen_mg_l(plant.works.sump)
                hours = hours_until_critical(oxygen, CRITICAL_MG_L, oxygen, uptake)
                harm_us[loop.id] = plant.time_us + round(hours * _HOUR_US)
        return min(harm_us.values(), default=None)

    return look


METERS: dict[str, Meter] = {
    "floor-wet": Meter(
        f"more than {FLOOR_WET_L:g} L of water on the sump room's floor", _PRACTICE,
        _floor(FLOOR_WET_L),
    ),
    "floor-spreads": Meter(
        f"more than {FLOOR_SPREADS_L:g} L on the floor: it spreads beyond the leak",
        _PRACTICE, _floor(FLOOR_SPREADS_L),
    ),
    "display-over-rim": Meter(
        f"more than {FLOOR_WET_L:g} L over a display's rim", _PRACTICE, _lost(FLOOR_WET_L)
    ),
    "room-wet": Meter(
        f"more than {ROOM_WET_L:g} L lost into another room", _PRACTICE, _lost(ROOM_WET_L)
    ),
    "pump-dry": Meter(
        f"the return pump draws air for {DRY_RUN_S:g} s: its seals run hot", _PRACTICE, _dry_run
    ),
    "oxygen": Meter(
        f"the oxygen of a display or the refuge falls to {CRITICAL_MG_L:g} mg/L",
        "between survival 2.3 and growth 4.8 mg/L of EPA-822-R-00-012 (from memory)",
        _when(_breathless),
    ),
    "loop-oxygen": Meter(
        f"the oxygen of a side loop that stands falls to {CRITICAL_MG_L:g} mg/L",
        "closed water, (C − 3) / r; 3 mg/L and the uptake: common practice, no source",
        _loop_stands,
    ),
    "temperature-band": Meter(
        f"a display is outside {COLDEST_DEGC:g} to {WARMEST_DEGC:g} °C", _PRACTICE,
        _when(_outside_band),
    ),
    "temperature-rate": Meter(
        f"a display changes by more than {FASTEST_K_H:g} K within an hour", _PRACTICE,
        _changes(lambda plant: plant.degc(_first_display(plant)), FASTEST_K_H, _HOUR_US),
    ),
    "salinity-band": Meter(
        f"salinity outside {LEAST_SALINITY:g} to {MOST_SALINITY:g}", _PRACTICE,
        _when(_salinity_off),
    ),
    "salinity-rate": Meter(
        f"salinity changes by more than {SALINITY_A_DAY:g} within a day", _PRACTICE,
        _changes(lambda plant: plant.salinity(_first_display(plant)), SALINITY_A_DAY, _DAY_US),
    ),
    "ph-band": Meter(
        f"the displays' pH (NBS) is outside {LOWEST_PH:g} to {HIGHEST_PH:g}", _PRACTICE,
        _when(_ph_off),
    ),
    "alkalinity-rate": Meter(
        f"alkalinity rises or falls by more than {ALKALINITY_A_DAY:g} dKH within a day", _PRACTICE,
        _changes(_alkalinity_dkh, ALKALINITY_A_DAY, _DAY_US),
    ),
    "ammonia": Meter(
        f"un-ionised ammonia above {MOST_AMMONIA_MG_L:g} mg/L as NH3",
        "chronic criterion for salt water, EPA 1989 (from memory)", _when(_toxic),
    ),
    "room-air": Meter(
        f"more than {MOST_CO2_PPM:g} ppm of carbon dioxide in the room",
        "OSHA PEL, 29 CFR 1910.1000 Z-1, a mean of 8 hours taken at once",
        _when(lambda plant: plant.air.co2_ppm > MOST_CO2_PPM),
    ),
    "strip-hot": Meter(
        f"a socket strip hotter than {HOTTEST_STRIP_DEGC:g} °C: its insulation gives way",
        "conductor rating of PVC insulation, IEC 60227 (from memory)",
        _when(lambda plant: plant.room_degc + plant.strip.rise_k > HOTTEST_STRIP_DEGC),
    ),
    "reservoir-dry": Meter(
        "the top-off reservoir is empty: evaporation is no longer replaced", "by definition",
        _when(_reservoir_dry),
    ),
    "battery-empty": Meter(
        "the battery of the power node is empty: nothing is seen any more", "by definition",
        _when(lambda plant: plant.battery.charge <= 0.0),
    ),
}  # fmt: skip
