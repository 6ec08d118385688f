"""Which simulated probe feeds which configured channel: by name, quantity and vessel."""

from collections.abc import Callable, Sequence

from weirsim.harbour_hall import NODES
from weirsim.instruments import NodeSpec, ProbeSpec
from weirwatch.domain.naming import names
from weirwatch.domain.quantity import converter
from weirwatch.domain.reading import Channel
from weirwatch.settings import PlantSettings

_KNOWN = {(node.id, probe.name): probe for node in NODES for probe in node.probes}

# noise, lag_s and smallest value noticed (share of the range) by quantity: as the demo's probes
_MANNERS: dict[str, tuple[float, float, float]] = {
    "level": (0.5, 2.0, 0.0),
    "temperature": (0.01, 20.0, 0.0),
    "conductivity": (0.03, 10.0, 0.0),
    "ph": (0.005, 20.0, 0.0),
    "flow": (0.0, 2.0, 0.012),
    "power": (1.0, 0.0, 0.006),
    "charge": (0.2, 0.0, 0.0),
    "voltage": (0.01, 0.0, 0.0),
    "oxygen": (0.02, 30.0, 0.0),
    "alkalinity": (0.05, 0.0, 0.0),
    "calcium": (4.0, 0.0, 0.0),
    "ammonia": (0.003, 0.0, 0.0),
    "co2": (8.0, 30.0, 0.0),
    "salinity": (0.02, 10.0, 0.0),
}
_UNITS = {
    "level": "mm",
    "temperature": "Cel",
    "conductivity": "mS/cm",
    "salinity": "psu",
    "ph": "pH",
    "flow": "L/h",
    "power": "W",
    "charge": "%EL",
    "voltage": "V",
    "oxygen": "mg/L",
    "alkalinity": "dKH",
    "calcium": "mg/L",
    "ammonia": "mg/L",
    "co2": "ppm",
    "switch": "",
}
_SWITCHES = {
    "mains": "mains",
    "top-off": "top-off",
    "lights": "lights",
    "doser": "doser",
    "cup": "cup-full",
}


def nodes_for(
    plant: PlantSettings, channels: Sequence[Channel]
) -> tuple[tuple[NodeSpec, ...], tuple[str, ...]]:
    """Return the simulated nodes of a configuration, and the channels that nothing can feed.

    A node counts as one on a battery when it has the switch channel `mains`: nobody else could
    tell of a power cut.
    """
    unfed: list[str] = []
    probes: dict[str, list[ProbeSpec]] = {}
    every_s: dict[str, float] = {}
    for channel in channels:
        probe = _probe(plant, channel) if channel.system == plant.system else None
        if probe is None:
            unfed.append(channel.id)
            continue
        probes.setdefault(channel.node, []).append(probe)
        own_s = channel.expected_every / 1e6 if channel.expected_every else 5.0
        every_s[channel.node] = min(own_s, every_s.get(channel.node, own_s))
    return tuple(
        NodeSpec(
            node,
            "battery" if any(probe.source == "mains" for probe in of_node) else "mains",
            tuple(of_node),
            every_s[node],
        )
        for node, of_node in probes.items()
    ), tuple(unfed)


def _probe(plant: PlantSettings, channel: Channel) -> ProbeSpec | None:
    find = _SOURCES.get(channel.quantity)
    source = find(plant, channel) if find is not None else None
    measured = _measured(channel)
    if source is None or measured is None:
        return None
    unit, step, valid = measured
    known = _KNOWN.get((channel.node, channel.name))
    if known is not None and (known.source, known.unit, known.resolution, known.valid) == (
        source,
        channel.unit,
        step,
        valid,
    ):
        return known
    noise, lag_s, notices = _MANNERS.get(channel.quantity, (0.0, 0.0, 0.0))
    top = valid[1] if valid else 0.0
    return ProbeSpec(
        name=channel.name,
        source=source,
        quantity=channel.quantity,
        unit=unit,
        wire_unit="" if unit == channel.unit else unit,
        noise=noise if channel.quantity != "flow" else 0.003 * top,
        resolution=step,
        valid=valid,
        starts_at=notices * top,
        lag_s=lag_s,
        title=channel.title,
        vessel=channel.vessel,
    )


def _measured(channel: Channel) -> tuple[str, float, tuple[float, float] | None] | None:
    """Return unit, resolution and range that a probe measures in, or None: it measures no such.

    A unit that the simulator does not measure in is sent along, for the service to convert.
    """
    effluent = channel.quantity == "flow" and "effluent" in channel.name
    usual = "mL/min" if effluent else _UNITS.get(channel.quantity)
    step, valid = channel.resolution or 0.0, channel.valid
    if usual is None:
        return None
    if channel.unit in ("", usual):  # pH is mostly written without
        return channel.unit, step, valid
    try:
        scale, offset = converter(channel.unit, usual)
    except ValueError:
        return None
    if valid is not None:
        valid = (valid[0] * scale + offset, valid[1] * scale + offset)
    return usual, step * scale, valid


def _level(plant: PlantSettings, channel: Channel) -> str | None:
    for vessel in plant.vessels:
        if vessel.level_channel == channel.id:
            return f"level:{vessel.id}"
    known = {vessel.id for vessel in plant.vessels}
    return f"level:{channel.vessel}" if channel.vessel in known else None


def _temperature(plant: PlantSettings, channel: Channel) -> str | None:
    if not channel.vessel:
        places = {"room": "room-temperature", "strip": "strip-temperature"}
        return next((source for word, source in places.items() if word in channel.name), None)
    known = {vessel.id for vessel in plant.vessels}
    return f"temperature:{channel.vessel}" if channel.vessel in known else None


def _in_water(kind: str, role: str = "sump") -> Callable[[PlantSettings, Channel], str | None]:
    """Return who finds a measurement in a channel's vessel, or in the first of a role."""

    def find(plant: PlantSettings, channel: Channel) -> str | None:
        known = {vessel.id for vessel in plant.vessels if vessel.role != "reservoir"}
        usual = next(vessel.id for vessel in plant.vessels if vessel.role == role)
        place = channel.vessel or usual
        return f"{kind}:{place}" if place in known else None  # of the reservoir only level and room

    return find


def _ph(plant: PlantSettings, channel: Channel) -> str | None:
    if "reactor" in channel.name:
        return "reactor-ph" if _reactor(plant) else None
    return _in_water("ph")(plant, channel)


def _reactor(plant: PlantSettings) -> bool:
    return any(loop.id == plant.reactor_loop for loop in plant.loops)


def _power(plant: PlantSettings, channel: Channel) -> str | None:
    words = ("heater", "circulation", *(("chiller",) if plant.chiller is not None else ()))
    return next((f"{word}-power" for word in words if word in channel.name), None)


def _flow(plant: PlantSettings, channel: Channel) -> str | None:
    if "effluent" in channel.name:
        return "reactor-effluent" if _reactor(plant) else None
    displays = [vessel.id for vessel in plant.vessels if vessel.role == "display"]
    branches = ["return", *(loop.id for loop in plant.loops), "skimmer", *displays]
    return next((f"flow:{branch}" for branch in branches if names(channel.name, branch)), None)


def _switch(_plant: PlantSettings, channel: Channel) -> str | None:
    name = channel.name
    if "dry" in name:
        return "floor-dry"
    if "float" in name and "closed" in name:
        return "float-closed"
    return next((source for word, source in _SWITCHES.items() if word in name), None)


_SOURCES: dict[str, Callable[[PlantSettings, Channel], str | None]] = {
    "level": _level,
    "temperature": _temperature,
    "conductivity": _in_water("conductivity"),
    "salinity": _in_water("salinity"),
    "oxygen": _in_water("oxygen", "display"),
    "alkalinity": _in_water("alkalinity"),
    "calcium": _in_water("calcium"),
    "ammonia": _in_water("ammonia"),
    "flow": _flow,
    "switch": _switch,
    "ph": _ph,
    "power": _power,
    "co2": lambda _plant, _channel: "room-co2",
    "charge": lambda _plant, _channel: "battery",
    "voltage": lambda _plant, channel: "battery-voltage" if "battery" in channel.name else None,
}
