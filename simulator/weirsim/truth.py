"""What a perfect probe would read: the names of everything that can be measured on a plant."""

from collections.abc import Callable
from operator import attrgetter

from weirsim.circuit import L_H
from weirsim.life import NITROGEN_G_MOL
from weirsim.model import Plant
from weirsim.reactor import Reactor
from weirwatch.water.carbonate import CALCIUM_G_MOL, DKH_PER_MEQ_L
from weirwatch.water.salinity import conductivity_mS_cm

Read = Callable[[], float]


def reader(plant: Plant, source: str) -> Read:
    """Return a function that reads the true value now.

    Args:
        plant: what is measured.
        source: `level:VESSEL` (mm above its floor), `temperature:VESSEL` (°C),
            `conductivity:VESSEL` (mS/cm at its own temperature; held at the
            ends of PSS-78, S 2 to 42 and 35 °C), `salinity:VESSEL` (PSS-78), `ph:VESSEL` (NBS),
            `oxygen:VESSEL` (mg/L), `alkalinity:VESSEL` (dKH), `calcium:VESSEL` (mg/L),
            `ammonia:VESSEL` (mg/L of nitrogen, NH3 and NH4+ together),
            `flow:BRANCH` (L/h: a loop, a display, `return` or `skimmer`), or one of `reactor-ph`
            (NBS), `reactor-effluent` (mL/min), `heater-power`, `chiller-power`,
            `circulation-power` (W), `room-temperature`, `strip-temperature` (°C), `room-co2`
            (ppm), `battery` (%), `battery-voltage` (V) and the switches `top-off`, `doser`,
            `cup-full`, `lights`, `mains`, `floor-dry`, `float-closed`.

    Raises:
        ValueError: nothing of that name on this plant.
    """
    kind, _, place = source.partition(":")
    if kind in _PLACED:
        return _PLACED[kind](plant, place)
    if source not in _PLAIN:
        known = ", ".join([*(f"{kind}:…" for kind in _PLACED), *_PLAIN])
        raise ValueError(f"a probe cannot measure {source!r}; known: {known}")
    read = _PLAIN[source]
    read(plant)  # what the plant does not have is told now, not at the first sample
    return lambda: float(read(plant))


def _level(plant: Plant, place: str) -> Read:
    vessel = plant.works.vessels[plant.spec.vessel(place).id]
    area_m2 = vessel.area_m2
    return lambda: 1000.0 * (vessel.volume_m3 / area_m2)


def _temperature(plant: Plant, place: str) -> Read:
    if plant.spec.vessel(place).role == "reservoir":
        return lambda: plant.room_degc
    vessel = plant.works.vessels[place]
    return lambda: plant.degc(vessel)


def _salinity(plant: Plant, place: str) -> Read:
    vessel = plant.works.vessels[plant.spec.vessel(place).id]
    return lambda: plant.salinity(vessel)


def _conductivity(plant: Plant, place: str) -> Read:
    salinity, degc = _salinity(plant, place), _temperature(plant, place)
    return lambda: conductivity_mS_cm(min(42.0, max(2.0, salinity())), min(35.0, max(0.0, degc())))


def _ph(plant: Plant, place: str) -> Read:
    habitat = plant.life.habitats[plant.spec.vessel(place).id]
    return lambda: habitat.ph_nbs


def _per_volume(name: str, factor: float) -> Callable[[Plant, str], Read]:
    """Return the maker of a reader of one of the water's amounts, in factor × amount / m³."""

    def make(plant: Plant, place: str) -> Read:
        vessel = plant.works.vessels[plant.spec.vessel(place).id]
        amount = attrgetter(name)
        return lambda: factor * amount(vessel) / vessel.volume_m3 if vessel.volume_m3 else 0.0

    return make


def _flow(plant: Plant, place: str) -> Read:
    if place == "skimmer":
        return lambda: plant.flow_l_h(place)
    works, circuit = plant.works, plant.works.circuit
    if place == "return":
        return lambda: circuit.total_m3_s * works.flow_share / L_H
    branch = circuit.branch(place)  # an unknown one is told now, not at the first sample
    return lambda: branch.flow_m3_s * works.flow_share / L_H


def _reactor(read: Callable[[Reactor], float]) -> Callable[[Plant], float]:
    def of(plant: Plant) -> float:
        if plant.reactor is None:
            raise ValueError(f"the plant has no reactor: no side loop {plant.spec.reactor.loop!r}")
        return read(plant.reactor)

    return of


def _chiller_power(plant: Plant) -> float:
    chiller = plant.warmth.chiller
    if chiller is None:
        raise ValueError("the plant has no chiller")
    return chiller.spec.electric_w if plant.warmth.chiller_w > 0.0 else 0.0


def _top_off(plant: Plant) -> bool:
    return plant.works.top_off is not None and plant.works.top_off.running


_PLACED: dict[str, Callable[[Plant, str], Read]] = {
    "level": _level,
    "temperature": _temperature,
    "salinity": _salinity,
    "conductivity": _conductivity,
    "flow": _flow,
    "ph": _ph,
    "oxygen": _per_volume("oxygen_g", 1.0),
    "alkalinity": _per_volume("alkalinity_mol", DKH_PER_MEQ_L),
    "calcium": _per_volume("calcium_mol", CALCIUM_G_MOL),
    "ammonia": _per_volume("ammonia_mol", NITROGEN_G_MOL),
}

_PLAIN: dict[str, Callable[[Plant], float]] = {
    "reactor-ph": _reactor(lambda reactor: reactor.ph_nbs),
    "reactor-effluent": _reactor(lambda reactor: reactor.effluent_ml_min),
    "heater-power": lambda plant: plant.warmth.heater_w,
    "chiller-power": _chiller_power,
    "circulation-power": lambda plant: plant.circulation_w,
    "room-co2": lambda plant: plant.air.co2_ppm,
    "strip-temperature": lambda plant: plant.room_degc + plant.strip.rise_k,
    "doser": lambda plant: plant.dosing.running,
    "cup-full": lambda plant: plant.cup.full,
    "room-temperature": lambda plant: plant.room_degc,
    "battery": lambda plant: 100.0 * plant.battery.charge,
    "battery-voltage": lambda plant: plant.battery.voltage_v,
    "top-off": _top_off,
    "lights": lambda plant: plant.lights,
    "mains": lambda plant: plant.upset.mains,
    "floor-dry": lambda plant: not plant.floor_wet,
    "float-closed": lambda plant: not plant.high_float_lifted,
}
