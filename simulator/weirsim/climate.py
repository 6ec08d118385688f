"""The room and what it takes from the water: day/night swing, conduction, evaporation."""

from math import pi, sin

from weirsim.plant import PlantSpec
from weirwatch.water.heat import latent_heat_kj_kg, saturation_pressure_pa

_FRESH_KG_M3 = 1000.0
_SALT_FACTOR = 0.000537  # vapour pressure over sea water: × (1 − 0.000537 S), as water.heat
_GRID_PER_K = 4
_HIGHEST_DEGC = 60.0


class Climate:
    """The room of one plant, and each vessel's share of what it takes.

    Conduction is shared out by volume^(2/3) (walls), evaporation by surface. Evaporation is the
    spec's amount at its own conditions and follows Dalton's law from there: it grows with the
    distance between the vapour pressure over the water and that of the room's air.

    Attributes:
        latent_j_m3: heat taken by evaporating a cubic metre of fresh water.
    """

    def __init__(self, spec: PlantSpec) -> None:
        self._spec = spec
        steps = round(_HIGHEST_DEGC) * _GRID_PER_K
        self._pressure = [
            saturation_pressure_pa(max(0.01, i / _GRID_PER_K)) for i in range(steps + 2)
        ]
        wet = [vessel for vessel in spec.vessels if vessel.role != "reservoir"]
        walls = {v.id: (v.working_l or v.volume_l) ** (2.0 / 3.0) for v in wet}
        all_walls, surface = sum(walls.values()), sum(v.area_m2 for v in wet)
        self.loss_w_k = {i: spec.loss_w_per_k * wall / all_walls for i, wall in walls.items()}
        warm = spec.warm_degc
        self.latent_j_m3 = latent_heat_kj_kg(spec.salinity, warm) * 1000.0 * _FRESH_KG_M3
        self._salt = 1.0 - _SALT_FACTOR * spec.salinity
        drive_pa = self._drive_pa(spec.usual_degc, spec.usual_room_degc)
        if spec.evaporation_l_per_day > 0.0 and drive_pa <= 0.0:
            raise ValueError("plant: a room so warm and moist takes no evaporation; set it to 0")
        per_m2 = spec.evaporation_l_per_day / 1000.0 / 86_400.0 / surface
        self._evaporation = {
            v.id: per_m2 * v.area_m2 / drive_pa if drive_pa > 0.0 else 0.0 for v in wet
        }

    def room_degc(self, local_s: float, rise_k: float) -> float:
        """Return the room's temperature: warmest at 15:00 local, and what a fault adds."""
        swing = self._spec.day.room_swing_k * sin(2.0 * pi * (local_s / 3600.0 - 9.0) / 24.0)
        return self._spec.room_degc + swing + rise_k

    def air_pa(self, room_degc: float) -> float:
        """Return the vapour pressure of the room's air."""
        return self._saturation_pa(room_degc) * self._spec.day.room_humidity

    def evaporation_m3_s(self, vessel_id: str, water_degc: float, air_pa: float) -> float:
        """Return the fresh water that evaporates from a vessel, at least 0."""
        drive = self._saturation_pa(water_degc) * self._salt - air_pa
        return self._evaporation[vessel_id] * drive if drive > 0.0 else 0.0

    def _drive_pa(self, water_degc: float, room_degc: float) -> float:
        return self._saturation_pa(water_degc) * self._salt - self.air_pa(room_degc)

    def _saturation_pa(self, degc: float) -> float:
        """Interpolate the table; within 0.01 % of the formula from 5 to 60 °C."""
        if degc < 0.0:
            degc = 0.0
        elif degc > _HIGHEST_DEGC:
            degc = _HIGHEST_DEGC
        place = degc * _GRID_PER_K
        i = int(place)
        pressure = self._pressure
        low = pressure[i]
        return low + (place - i) * (pressure[i + 1] - low)
