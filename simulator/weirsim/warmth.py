"""Heat in and out of the water within a step: heaters, chiller, pumps, lights, the room."""

from math import expm1

from weirsim.circuit import L_H
from weirsim.climate import Climate
from weirsim.equipment import Chiller, Heater
from weirsim.ledger import Ledger
from weirsim.plant import PlantSpec
from weirsim.upset import Upset
from weirsim.vessels import Vessel
from weirsim.waterworks import Waterworks

_LEAST_M3 = 1e-3  # with less water a vessel counts as dry: nothing there warms or cools it
_MOST_K = 1.0  # that evaporation cools a vessel within a step: 2 mL of each litre
_QUICK = 0.05  # share of its warmth that a step may take out by a straight line
_LOOP_STANDS = 0.1  # share of the loop's design flow below which the chiller's flow switch stops it


class Warmth:
    """What warms and cools the water of one plant.

    Attributes:
        heaters: with their thermostats' contacts.
        heater_w: power of all heaters in the last step; one that stands dry warms no water.
        chiller: with its thermostat; None: there is none.
        chiller_w: heat that it took out in the last step.
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
        self.heater_w = self.chiller_w = 0.0
        self._water = water
        self.chiller: Chiller | None = None
        if spec.chiller is not None:
            self.chiller = Chiller(spec.chiller)
            self._chiller_loop = next((lp for lp in spec.loops if lp.id == spec.chiller.loop), None)
            place = spec.chiller.vessel if self._chiller_loop is None else self._chiller_loop.feeds
            self._cooled: Vessel = water.vessels[place]
            self._felt = self._cooled if self._chiller_loop is None else water.sump
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
        self._run_heaters(upset, room_degc, dt_s)
        if self.chiller is not None:
            self._run_chiller(self.chiller, upset, dt_s)
        self._run_pumps(upset, pump_on, dt_s)
        if lights:
            self._ledger.lights_j += self._into_displays(self._lights_w * dt_s)
        self._lose(room_degc, dt_s)

    def _into_displays(self, heat_j: float) -> float:
        """Share heat over the displays by surface; return what found water."""
        taken_j = 0.0
        for vessel, share in self._displays:
            if vessel.volume_m3 > _LEAST_M3:
                vessel.heat_j += heat_j * share
                taken_j += heat_j * share
        return taken_j

    def _run_heaters(self, upset: Upset, room_degc: float, dt_s: float) -> None:
        self.heater_w = 0.0
        for heater, vessel in zip(self.heaters, self._heated, strict=True):
            has_water = vessel.volume_m3 > _LEAST_M3
            degc = vessel.heat_j / (self._heat * vessel.volume_m3) if has_water else room_degc
            heater_id = heater.spec.id
            failed = heater_id in upset.heaters_off or not upset.powered
            watts = heater.power_w(degc, heater_id in upset.heaters_on, failed)
            self.heater_w += watts
            if has_water:
                vessel.heat_j += watts * dt_s
                self._ledger.heaters_j += watts * dt_s

    def _run_chiller(self, chiller: Chiller, upset: Upset, dt_s: float) -> None:
        felt, cooled = self._felt, self._cooled
        has_water = min(felt.volume_m3, cooled.volume_m3) > _LEAST_M3
        degc = felt.heat_j / (self._heat * felt.volume_m3) if has_water else chiller.spec.set_degc
        works = has_water and upset.powered and not upset.chiller_failed and self._loop_runs()
        self.chiller_w = chiller.cooling_w(degc, works)
        cooled.heat_j -= self.chiller_w * dt_s
        self._ledger.chiller_j += self.chiller_w * dt_s

    def _loop_runs(self) -> bool:
        loop = self._chiller_loop
        if loop is None:
            return True
        flow_m3_s = self._water.circuit.branch(loop.id).flow_m3_s * self._water.flow_share
        return flow_m3_s > _LOOP_STANDS * loop.flow_l_h * L_H

    def _run_pumps(self, upset: Upset, pump_on: bool, dt_s: float) -> None:
        into_sump_w = self._return_w if pump_on else 0.0
        if upset.powered and not upset.skimmer_stopped:
            into_sump_w += self._power.skimmer_w
        if self._sump.volume_m3 > _LEAST_M3:
            self._sump.heat_j += into_sump_w * dt_s
            self._ledger.pumps_j += into_sump_w * dt_s
        if upset.mains:
            stirs_w = self._power.circulation_w * upset.circulation_share
            self._ledger.pumps_j += self._into_displays(stirs_w * dt_s)

    def _lose(self, room_degc: float, dt_s: float) -> None:
        climate, heat = self._climate, self._heat
        air_pa = climate.air_pa(room_degc)
        conducted_j = evaporated_m3 = carried_j = 0.0
        for vessel, vessel_id, loss_w_k in self._wet:
            if vessel.volume_m3 <= _LEAST_M3:
                continue
            holds_j_k = heat * vessel.volume_m3
            degc = vessel.heat_j / holds_j_k
            lost_j_k = loss_w_k * dt_s
            if lost_j_k > _QUICK * holds_j_k:  # little water, long step: not below the room's
                lost_j_k = -expm1(-lost_j_k / holds_j_k) * holds_j_k
            loss_j = lost_j_k * (degc - room_degc)
            vapour_m3 = climate.evaporation_m3_s(vessel_id, degc, air_pa) * dt_s
            vapour_m3 = min(vapour_m3, holds_j_k * _MOST_K / climate.latent_j_m3)
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
