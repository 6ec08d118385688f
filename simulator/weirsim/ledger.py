"""The books of the plant: what came in and what went out, so that conservation can be shown."""

from dataclasses import dataclass, field

from weirsim.vessels import Water


@dataclass(slots=True)
class Ledger:
    """Sums since the start.

    Attributes:
        evaporated_m3: fresh water gone to the air.
        poured_m3: fresh water that the keeper filled into the reservoir.
        topped_off_m3: fresh water from the reservoir into the sump.
        lost: water that left through a leak elsewhere than on the sump room's floor.
        dried_m3: floor water that dried.
        heaters_j, pumps_j, lights_j: heat put into the water.
        room_j: heat lost to the room by conduction (negative: gained).
        latent_j: heat taken by evaporation.
        fresh_j: heat that came with top-off water, less what the vapour carried away as warmth.
    """

    evaporated_m3: float = 0.0
    poured_m3: float = 0.0
    topped_off_m3: float = 0.0
    dried_m3: float = 0.0
    heaters_j: float = 0.0
    pumps_j: float = 0.0
    lights_j: float = 0.0
    room_j: float = 0.0
    latent_j: float = 0.0
    fresh_j: float = 0.0
    lost: Water = field(default_factory=Water)

    @property
    def heat_in_j(self) -> float:
        """Net heat that came into the water, other than with lost water."""
        gained = self.heaters_j + self.pumps_j + self.lights_j + self.fresh_j
        return gained - self.room_j - self.latent_j
