"""Heat in and out of the water within a step: heaters, pumps, lights, the room, evaporation."""

from weirsim.climate import Climate
from weirsim.equipment import Heater
from weirsim.ledger import Ledger
from weirsim.plant import PlantSpec
from weirsim.upset import Upset
from weirsim.waterworks import Waterworks


class Warmth:
    """What warms and cools the water of one plant.

    Attributes:
        heaters: with their thermostats' contacts.
        heater_w: heat of all heaters in the last step.
    """

    def __init__(
        self, spec: PlantSpec, water: Waterworks, climate: Climate, ledger: Ledger
    ) -> None:
        self._climate = climate
        self._ledger = ledger
        self._heat = water.heat_j_m3_k
        self._power = spec.power
        self._return_w = spec.pump.power_w
        self._sump = water.sump
        self.heaters = [Heater(heater) for heater in spec.heaters]
        self._heated = [water.vessels[heater.vessel] for heater in spec.heaters]
        self.heater_w = 0.0
        area = sum(vessel.area_m2 for vessel in spec.displays)
        lights_w = spec.day.lights_w_per_m2 * area * spec.day.lights_to_water
        self._lights_w = lights_w
        self._displays = [(water.vessels[v.id], v.area_m2 / area) for v in spec.displays]
        self._wet = [
            (vessel, vessel_id, climate.loss_w_k[vessel_id])
            for vessel_id, vessel in water.vessels.items()
            if vessel_id in climate.loss_w_k
        ]

    def step(
        self, upset: Upset, pump_on: bool, lights: bool, room_degc: float, dt_s: float
    ) -> None:
        """Warm and cool the water of one step."""
        self._run_heaters(upset, dt_s)
        self._run_pumps(upset, pump_on, dt_s)
        if lights:
            self._ledger.lights_j += self._lights_w * dt_s
            for vessel, share in self._displays:
                vessel.heat_j += self._lights_w * share * dt_s
        self._lose(room_degc, dt_s)

    def _run_heaters(self, upset: Upset, dt_s: float) -> None:
        self.heater_w = 0.0
        for heater, vessel in zip(self.heaters, self._heated, strict=True):
            degc = vessel.heat_j / (self._heat * vessel.volume_m3) if vessel.volume_m3 else 0.0
            heater_id = heater.spec.id
            failed = heater_id in upset.heaters_off or not upset.powered
            watts = heater.power_w(degc, heater_id in upset.heaters_on, failed)
            vessel.heat_j += watts * dt_s
            self.heater_w += watts
        self._ledger.heaters_j += self.heater_w * dt_s

    def _run_pumps(self, upset: Upset, pump_on: bool, dt_s: float) -> None:
        into_sump_w = self._return_w if pump_on else 0.0
        if upset.powered and not upset.skimmer_stopped:
            into_sump_w += self._power.skimmer_w
        self._sump.heat_j += into_sump_w * dt_s
        self._ledger.pumps_j += into_sump_w * dt_s
        if upset.mains:
            stirs_w = self._power.circulation_w * upset.circulation_share
            self._ledger.pumps_j += stirs_w * dt_s
            for vessel, share in self._displays:
                vessel.heat_j += stirs_w * share * dt_s

    def _lose(self, room_degc: float, dt_s: float) -> None:
        climate, heat = self._climate, self._heat
        air_pa = climate.air_pa(room_degc)
        conducted_j = evaporated_m3 = carried_j = 0.0
        for vessel, vessel_id, loss_w_k in self._wet:
            if vessel.volume_m3 <= 1e-6:
                continue
            degc = vessel.heat_j / (heat * vessel.volume_m3)
            loss_j = loss_w_k * (degc - room_degc) * dt_s
            vapour_m3 = climate.evaporation_m3_s(vessel_id, degc, air_pa) * dt_s
            warmth_j = vapour_m3 * heat * degc
            vessel.volume_m3 -= vapour_m3
            vessel.heat_j -= loss_j + warmth_j + vapour_m3 * climate.latent_j_m3
            conducted_j += loss_j
            evaporated_m3 += vapour_m3
            carried_j += warmth_j
        self._ledger.room_j += conducted_j
        self._ledger.evaporated_m3 += evaporated_m3
        self._ledger.latent_j += evaporated_m3 * climate.latent_j_m3
        self._ledger.fresh_j -= carried_j
