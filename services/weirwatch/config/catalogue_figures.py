"""Which figures of the plant a catalogue rule may take its limits from, each with its formula.

A figure belongs to a channel: the usual flow of what its name says, the usual level of its vessel.
One that the plant cannot tell is None, and the keeper is asked for the key instead.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from weirwatch.domain.naming import names
from weirwatch.pipeline.plant_figures import drain_back_total_l, usual_level_mm
from weirwatch.settings import PlantSettings, VesselSettings
from weirwatch.water.salinity import conductivity_mS_cm

_OVER_DRAIN_BACK = 0.2  # of the room that is left to the rim, common practice, no source
_OVER_WEIR = 0.35  # of the way from the usual level to the rim, common practice, no source
_WELL = ("dry", "closed")  # words for a contact's 1 that opens with the trouble
_STROKES = 3.0  # at a stretch before a top-off counts as stuck, common practice, no source


@dataclass(frozen=True, slots=True)
class Seen:
    """A channel as far as the table tells it."""

    id: str
    quantity: str = ""
    unit: str = ""
    vessel: str = ""
    states: tuple[str, ...] = ()
    title: str = ""

    @property
    def label(self) -> str:
        """What people call it."""
        return self.title or self.name.replace("-", " ").replace("_", " ").capitalize()

    @property
    def name(self) -> str:
        """Its name on its node."""
        return self.id.split("/", 2)[-1]

    @property
    def well_word(self) -> str:
        """What says that its 1 means all is well: that state's word, else its name; else empty."""
        text = self.states[1] if len(self.states) == 2 else self.name
        return text if any(word in text.lower() for word in _WELL) else ""


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure.

    Attributes:
        unit: in which it is told.
        says: the formula, for people.
        of: computes it; None: this plant or channel does not have it.
    """

    unit: str
    says: str
    of: Callable[[PlantSettings, Seen], float | None]


def vessel_of(plant: PlantSettings, channel: Seen) -> VesselSettings | None:
    """Return the vessel that a channel belongs to, or None."""
    for vessel in plant.vessels:
        if vessel.level_channel == channel.id or (vessel.id == channel.vessel):
            return vessel
    return None


def _flow(plant: PlantSettings, channel: Seen) -> float | None:
    if "return" in channel.name:
        return plant.pump.flow_l_h
    return next((loop.flow_l_h for loop in plant.loops if names(channel.name, loop.id)), None)


def _level(plant: PlantSettings, channel: Seen) -> float | None:
    vessel = vessel_of(plant, channel)
    return None if vessel is None else usual_level_mm(plant, vessel)


def _to_rim(plant: PlantSettings, channel: Seen, share: float, drained: float) -> float | None:
    vessel, usual = vessel_of(plant, channel), _level(plant, channel)
    if vessel is None or usual is None:
        return None
    rim, from_mm = vessel.height_m * 1000.0, usual + drained / vessel.area_m2
    return from_mm + share * (rim - from_mm) if rim > from_mm else None


def _over_drain_back(plant: PlantSettings, channel: Seen) -> float | None:
    vessel = vessel_of(plant, channel)
    if vessel is None or vessel.role != "sump":
        return None
    return _to_rim(plant, channel, _OVER_DRAIN_BACK, drain_back_total_l(plant))


def _over_weir(plant: PlantSettings, channel: Seen) -> float | None:
    vessel = vessel_of(plant, channel)
    if vessel is None or vessel.crest_m is None:
        return None
    return _to_rim(plant, channel, _OVER_WEIR, 0.0)


def _reservoir_full(plant: PlantSettings, channel: Seen) -> float | None:
    vessel = vessel_of(plant, channel)
    if vessel is None or vessel.role != "reservoir":
        return None
    full_mm = vessel.volume_l / vessel.area_m2
    return full_mm + 0.5 * (vessel.height_m * 1000.0 - full_mm)


def _float(plant: PlantSettings, _: Seen) -> float | None:
    return None if plant.top_off is None else plant.top_off.set_level_mm


def _stroke_s(plant: PlantSettings, _: Seen) -> float | None:
    sump = next((vessel for vessel in plant.vessels if vessel.role == "sump"), None)
    if plant.top_off is None or sump is None:
        return None
    litres = plant.top_off.hysteresis_mm * sump.area_m2
    return round(_STROKES * 3600.0 * litres / plant.top_off.rate_l_h)


def _evaporation_s(plant: PlantSettings, _: Seen) -> float | None:
    if plant.top_off is None or not plant.evaporation_l_per_day:
        return None
    return round(3600.0 * plant.evaporation_l_per_day / plant.top_off.rate_l_h)


def _evaporation_mm(plant: PlantSettings, channel: Seen) -> float | None:
    vessel = vessel_of(plant, channel)
    if vessel is None or not plant.evaporation_l_per_day:
        return None
    return plant.evaporation_l_per_day / vessel.area_m2


def _warmest(plant: PlantSettings, _: Seen) -> float | None:
    off = [heater.set_degc + heater.hysteresis_k / 2.0 for heater in plant.heaters]
    return max(off, default=None)


def _coldest(plant: PlantSettings, _: Seen) -> float | None:
    on = [heater.set_degc - heater.hysteresis_k / 2.0 for heater in plant.heaters]
    return min(on, default=None)


def _heaters(plant: PlantSettings, _: Seen) -> float | None:
    return sum(heater.power_w for heater in plant.heaters) or None


def _conductivity(plant: PlantSettings, channel: Seen) -> float | None:
    coldest = _coldest(plant, channel)
    if coldest is None or not 2.0 <= plant.salinity <= 42.0:
        return None
    return conductivity_mS_cm(plant.salinity, coldest)


FIGURES: Mapping[str, Figure] = {
    "usual-flow": Figure("L/h", "flow of the pump, or of the loop named in the channel", _flow),
    "usual-level": Figure("mm", "sump: as the top-off keeps it; else crest and head", _level),
    "over-drain-back": Figure(
        "mm", "usual level + drain-back ÷ area + a fifth of what is left to the rim",
        _over_drain_back,
    ),
    "over-weir": Figure("mm", "35 % of the way from the usual level to the rim", _over_weir),
    "reservoir-full": Figure(
        "mm", "half way from volume ÷ area to the rim of the reservoir", _reservoir_full
    ),
    "float-level": Figure("mm", "set level of the top-off", _float),
    "three-strokes": Figure("s", "3 × hysteresis × sump area ÷ rate of the top-off", _stroke_s),
    "evaporation-time": Figure("s", "evaporation of a day ÷ rate of the top-off", _evaporation_s),
    "evaporation-fall": Figure("mm", "evaporation of a day ÷ area of the vessel", _evaporation_mm),
    "heaters-off": Figure("Cel", "highest set temperature + half its hysteresis", _warmest),
    "heaters-on": Figure("Cel", "lowest set temperature − half its hysteresis", _coldest),
    "heater-power": Figure("W", "all heaters together", _heaters),
    "usual-conductivity": Figure(
        "mS/cm", "of the plant's salinity at the temperature that the heaters keep (PSS-78)",
        _conductivity,
    ),
}  # fmt: skip
