"""Which part a channel plays in a plant, by its quantity, its vessel and words in its name."""

from collections.abc import Callable, Mapping

from weirwatch.config.catalogue_figures import Seen, vessel_of
from weirwatch.domain.naming import names
from weirwatch.settings import PlantSettings

Plays = Callable[[PlantSettings | None, Seen, Seen], bool]
"""Whether a channel plays the part, beside another one that asks."""


_CHAMBER = ("chamber", "reactor")


def _named(quantity: str, *words: str) -> Plays:
    def plays(_: PlantSettings | None, channel: Seen, __: Seen) -> bool:
        return channel.quantity == quantity and any(word in channel.name for word in words)

    return plays


def _in(quantity: str, *roles: str) -> Plays:
    def plays(plant: PlantSettings | None, channel: Seen, _: Seen) -> bool:
        if plant is None:  # a vessel called by its role is what it says
            return channel.quantity == quantity and channel.vessel in roles
        vessel = vessel_of(plant, channel)
        return channel.quantity == quantity and vessel is not None and vessel.role in roles

    return plays


def _heated(plant: PlantSettings | None, channel: Seen, _: Seen) -> bool:
    heated = {heater.vessel for heater in plant.heaters} if plant is not None else set()
    return channel.quantity == "temperature" and channel.vessel in heated


def _loop(plant: PlantSettings | None, channel: Seen, _: Seen) -> bool:
    loops = [loop.id for loop in plant.loops] if plant is not None else []
    return channel.quantity == "flow" and any(names(channel.name, loop) for loop in loops)


def _system_ph(_: PlantSettings | None, channel: Seen, __: Seen) -> bool:
    return channel.quantity == "ph" and not any(word in channel.name for word in _CHAMBER)


def _twin(plant: PlantSettings | None, channel: Seen, of: Seen) -> bool:
    def place(seen: Seen) -> str:
        vessel = None if plant is None else vessel_of(plant, seen)
        return seen.vessel if vessel is None else vessel.id

    alike = (channel.quantity, channel.unit, place(channel)) == (of.quantity, of.unit, place(of))
    return alike and channel.id != of.id


PARTS: Mapping[str, Plays] = {
    "battery-voltage": _named("voltage", "battery"),
    "chamber-ph": _named("ph", *_CHAMBER),
    "circuit": _named("switch", "circuit", "breaker"),
    "circuit-power": _named("power", "circuit"),
    "circulation": _named("switch", "circulation"),
    "circulation-flow": _named("flow", "circulation"),
    "circulation-power": _named("power", "circulation"),
    "cup": _named("switch", "cup"),
    "cup-level": _named("level", "cup"),
    "chilled-water": _named("temperature", "chill"),
    "display-level": _in("level", "display", "refuge"),
    "display-water": _in("temperature", "display"),
    "doser": _named("switch", "doser", "dosing"),
    "effluent": _named("flow", "effluent"),
    "filler": _named("switch", "filler", "supply"),
    "floor": _named("switch", "floor", "leak"),
    "heated-water": _heated,
    "heater": _named("switch", "heater"),
    "heater-power": _named("power", "heater"),
    "high-float": _named("switch", "high-float", "float-high"),
    "itself": lambda _plant, channel, of: channel.id == of.id,
    "lights": _named("switch", "light", "lamp"),
    "loop-flow": _loop,
    "low-float": _named("switch", "low-float", "float-low"),
    "mains": _named("switch", "mains"),
    "mains-voltage": _named("voltage", "mains"),
    "reservoir-float": _named("switch", "reservoir"),
    "reservoir-level": _in("level", "reservoir"),
    "return-flow": _named("flow", "return"),
    "room": _named("temperature", "room"),
    "skimmer-flow": _named("flow", "skimmer"),
    "skimmer-power": _named("power", "skimmer"),
    "smoke": _named("switch", "smoke", "heat-alarm"),
    "socket": _named("temperature", "socket", "strip", "plug", "supply", "panel"),
    "sump-level": _in("level", "sump"),
    "system-ph": _system_ph,
    "top-off": _named("switch", "top-off"),
    "twin": _twin,
}
