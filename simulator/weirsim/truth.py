"""What a perfect probe would read: the names of everything that can be measured on a plant."""

from collections.abc import Callable

from weirsim.model import Plant
from weirwatch.water.salinity import conductivity_mS_cm

Read = Callable[[], float]


def reader(plant: Plant, source: str) -> Read:
    """Return a function that reads the true value now.

    Args:
        plant: what is measured.
        source: `level:VESSEL` (mm above its floor), `temperature:VESSEL` (°C),
            `conductivity:VESSEL` (mS/cm at its own temperature; held at the
            ends of PSS-78, S 2 to 42 and 35 °C), `salinity:VESSEL` (PSS-78),
            `flow:BRANCH` (L/h: a loop, a display, `return` or `skimmer`), or one of `ph`,
            `heater-power` (W), `room-temperature` (°C), `battery` (%), `battery-voltage` (V) and
            the switches `top-off`, `lights`, `mains`, `floor-dry`, `float-closed`.

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
    return lambda: float(read(plant))


def _level(plant: Plant, place: str) -> Read:
    vessel = plant.works.vessels[plant.spec.vessel(place).id]
    return lambda: 1000.0 * vessel.level_m


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


def _flow(plant: Plant, place: str) -> Read:
    plant.flow_l_h(place)  # an unknown branch is told now, not at the first sample
    return lambda: plant.flow_l_h(place)


def _top_off(plant: Plant) -> bool:
    return plant.works.top_off is not None and plant.works.top_off.running


_PLACED: dict[str, Callable[[Plant, str], Read]] = {
    "level": _level,
    "temperature": _temperature,
    "salinity": _salinity,
    "conductivity": _conductivity,
    "flow": _flow,
}

_PLAIN: dict[str, Callable[[Plant], float]] = {
    "ph": lambda plant: plant.acidity.ph,
    "heater-power": lambda plant: plant.warmth.heater_w,
    "room-temperature": lambda plant: plant.room_degc,
    "battery": lambda plant: 100.0 * plant.battery.charge,
    "battery-voltage": lambda plant: plant.battery.voltage_v,
    "top-off": _top_off,
    "lights": lambda plant: plant.lights,
    "mains": lambda plant: plant.upset.mains,
    "floor-dry": lambda plant: not plant.floor_wet,
    "float-closed": lambda plant: not plant.high_float_lifted,
}
