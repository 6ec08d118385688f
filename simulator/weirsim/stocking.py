"""What lives in the plant breathes: its oxygen, by a closed form and stated assumptions.

There is no oxygen in the simulated water yet. This tells how long it would last with the flows as
they are, so that a drill can say when harm begins. All shares and rates are common practice, no
source, unless something else is said; the uptake is that of a dark night at any hour, so harm is
told too early rather than too late.
"""

from dataclasses import dataclass

from weirsim.model import Plant
from weirwatch.water.oxygen import hours_until_critical, oxygen_after, saturation_mg_L

_LIVING_DEGC = 25.0  # the temperature that the uptake is stated for
_STANDS_L_H = 1.0  # less is no flow
_LONGEST_H = 1000.0


@dataclass(frozen=True, slots=True)
class Stocking:
    """How the plant is stocked, and what brings it oxygen.

    Attributes:
        uptake_mg_l_h: of everything alive, at 25 °C; stocked reefs at night 0.2 to 1.0.
        q10: factor of the uptake per 10 K.
        loop_uptake_mg_l_h: in a side loop that stands: bacteria on all its surfaces.
        still_cm_h, stirred_cm_h: transfer through the surface without and with circulation pumps.
        weir_share: of the oxygen deficit that a fall over a weir evens out.
        skimmer_share: the same, of the water that goes through the skimmer.
        critical_mg_l: where harm begins; between survival 2.3 and growth 4.8 of EPA 2000
            (from memory).
    """

    uptake_mg_l_h: float = 0.6
    q10: float = 2.0
    loop_uptake_mg_l_h: float = 1.0
    still_cm_h: float = 0.7
    stirred_cm_h: float = 3.0
    weir_share: float = 0.15
    skimmer_share: float = 0.6
    critical_mg_l: float = 3.0


class Breath:
    """The oxygen of the displays, followed along with a plant.

    Starts at rest with everything running.

    Attributes:
        oxygen_mg_l: now.
    """

    def __init__(self, plant: Plant, stocking: Stocking) -> None:
        self._plant = plant
        self._stocking = stocking
        self._displays = [plant.works.vessels[v.id] for v in plant.spec.displays]
        self._branches = list(plant.works.circuit.displays)
        self._key: tuple[int, int] = (0, 0)
        self._saturation = 0.0
        self._time_us = plant.time_us
        transfer = max(self._transfer_per_h(), 1e-6)
        self.oxygen_mg_l = max(
            stocking.critical_mg_l + 1.0, self.saturation_mg_l() - self._uptake() / transfer
        )

    def saturation_mg_l(self) -> float:
        """Return what the displays' water can hold; to 0.1 K and 0.1 of salinity."""
        display = self._displays[0]
        degc = min(40.0, max(0.1, self._plant.degc(display)))
        salinity = min(42.0, self._plant.salinity(display))
        key = (round(degc * 10.0), round(salinity * 10.0))
        if key != self._key:
            self._key = key
            self._saturation = saturation_mg_L(key[1] / 10.0, key[0] / 10.0)
        return self._saturation

    def hours_left(self) -> float:
        """Go on to the plant's time and return the hours until critical, with flows as now."""
        uptake, transfer = self._uptake(), self._transfer_per_h()
        saturation = self.saturation_mg_l()
        hours = (self._plant.time_us - self._time_us) / 3.6e9
        self._time_us = self._plant.time_us
        self.oxygen_mg_l = oxygen_after(hours, self.oxygen_mg_l, saturation, uptake, transfer)
        critical = self._stocking.critical_mg_l
        left = hours_until_critical(self.oxygen_mg_l, critical, saturation, uptake, transfer)
        return min(left, _LONGEST_H)

    def loop_hours(self) -> float:
        """Return the hours that the oxygen lasts in a side loop that is cut off now."""
        return hours_until_critical(
            self.oxygen_mg_l,
            self._stocking.critical_mg_l,
            self.saturation_mg_l(),
            self._stocking.loop_uptake_mg_l_h,
        )

    def _uptake(self) -> float:
        warmer = (self._plant.degc(self._displays[0]) - _LIVING_DEGC) / 10.0
        return float(self._stocking.uptake_mg_l_h * self._stocking.q10**warmer)

    def _transfer_per_h(self) -> float:
        plant, stocking = self._plant, self._stocking
        area_m2 = sum(vessel.area_m2 for vessel in self._displays)
        volume_m3 = max(1e-3, sum(vessel.volume_m3 for vessel in self._displays))
        stirred = plant.upset.mains and plant.spec.power.circulation_w > 0.0
        surface_cm_h = stocking.stirred_cm_h if stirred else stocking.still_cm_h
        transfer = surface_cm_h / 100.0 * area_m2 / volume_m3
        falling_l_h = sum(plant.flow_l_h(branch.id) for branch in self._branches)
        if not plant.pump_on or falling_l_h < _STANDS_L_H:
            return transfer  # the displays are on their own
        all_l = 1000.0 * sum(
            vessel.volume_m3
            for vessel in plant.works.vessels.values()
            if vessel.spec.role != "reservoir"
        )
        gained = stocking.weir_share * falling_l_h
        gained += stocking.skimmer_share * plant.flow_l_h("skimmer")
        return transfer + gained / all_l
