"""How long is there? The line of a mains-lost notice, out of the plant and the newest values."""

from collections.abc import Mapping
from contextlib import suppress

from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Channel
from weirwatch.domain.state import Observed
from weirwatch.pipeline.derive import input_converter
from weirwatch.pipeline.outage import OutageBasis, OutageNow, outage_clock, outage_sentence
from weirwatch.pipeline.plant_figures import volume_l
from weirwatch.settings import PlantSettings, Settings

_FRESH: Micros = 3600 * SECOND  # water does not change faster than this matters


def outage_basis(plant: PlantSettings) -> OutageBasis:
    """Return what does not change in an outage."""
    told = plant.outage
    return OutageBasis(
        volume_l(plant),
        plant.loss_w_per_k,
        plant.evaporation_l_per_day,
        told.uptake_mg_l_h,
        told.oxygen_critical_mg_l,
        told.temperature_low_degc,
        told.battery_wh,
        told.battery_load_w,
    )


class OutageLine:
    """Writes the line. Of several probes the one that leaves least time counts."""

    def __init__(self, settings: Settings, observed: Mapping[str, Observed]) -> None:
        """Keep the engine's own, always current mapping of newest readings."""
        self._plant = settings.plant
        self._observed = observed
        system = settings.plant.system if settings.plant is not None else ""
        own = [channel for channel in settings.channels if channel.system == system]
        vessels = {v.id for v in settings.plant.vessels} if settings.plant is not None else set()
        self._water = [c for c in own if c.quantity == "temperature" and c.vessel in vessels]
        self._room = [c for c in own if c.quantity == "temperature" and not c.vessel]
        self._oxygen = [c for c in own if c.quantity == "oxygen"]
        self._salinity = [c for c in own if c.quantity == "salinity"]
        self._battery = [c for c in own if c.quantity == "charge"]
        if self._plant is not None:  # its libraries take a moment to load: now, not in the alarm
            with suppress(ValueError):
                outage_clock(outage_basis(self._plant), OutageNow(25.0, 20.0))

    def sentence(self, now: Micros) -> str:
        """Return the line, or empty text without a plant; never raises."""
        if self._plant is None:
            return ""
        water = self._lowest(self._water, "Cel", now)
        if water is None:
            return "How long there is cannot be told: no fresh temperature of the water."
        room = self._lowest(self._room, "Cel", now)
        salinity = self._lowest(self._salinity, "psu", now)
        seen = OutageNow(
            water,
            room if room is not None else self._plant.room_degc,
            salinity if salinity is not None else self._plant.salinity,
            self._lowest(self._oxygen, "mg/L", now),
            self._lowest(self._battery, "/", now),
        )
        try:
            basis = outage_basis(self._plant)
            return outage_sentence(basis, outage_clock(basis, seen))
        except (ValueError, ArithmeticError) as error:
            return f"How long there is cannot be told: {error}."

    def _lowest(self, channels: list[Channel], unit: str, now: Micros) -> float | None:
        found = []
        for channel in channels:
            seen = self._observed.get(channel.id)
            if seen is None or seen.good_value is None or seen.good_time is None:
                continue
            if now - seen.good_time > _FRESH:
                continue
            try:
                scale, offset = input_converter(channel.unit, unit)
            except ValueError:  # such as a saturation where a concentration is wanted
                continue
            found.append(seen.good_value * scale + offset)
        return min(found, default=None)
