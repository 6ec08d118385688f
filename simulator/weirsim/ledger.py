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
        chiller_j: heat that the chiller took out.
        room_j: heat lost to the room by conduction (negative: gained).
        latent_j: heat taken by evaporation.
        fresh_j: heat that came with top-off water, less what the vapour carried away as warmth.
        oxygen_g, alkalinity_mol, carbon_mol, calcium_mol, ammonia_mol: what came into the water by
            gases, life, dissolving and dosing together, less what went.
        built_mol, dissolved_mol: calcium carbonate laid down by skeletons, and set free by the
            reactor.
        gas_mol: carbon dioxide from the reactor's bottle; vented_mol: what of it went into the air.
        dosed_mol: alkalinity poured or pumped in by hand and doser.
        drained: water that the keeper poured away.
    """

    evaporated_m3: float = 0.0
    poured_m3: float = 0.0
    topped_off_m3: float = 0.0
    dried_m3: float = 0.0
    heaters_j: float = 0.0
    pumps_j: float = 0.0
    lights_j: float = 0.0
    chiller_j: float = 0.0
    room_j: float = 0.0
    latent_j: float = 0.0
    fresh_j: float = 0.0
    oxygen_g: float = 0.0
    alkalinity_mol: float = 0.0
    carbon_mol: float = 0.0
    calcium_mol: float = 0.0
    ammonia_mol: float = 0.0
    built_mol: float = 0.0
    dissolved_mol: float = 0.0
    gas_mol: float = 0.0
    vented_mol: float = 0.0
    dosed_mol: float = 0.0
    lost: Water = field(default_factory=Water)
    drained: Water = field(default_factory=Water)

    def bring(
        self,
        water: Water,
        oxygen_g: float = 0.0,
        alkalinity_mol: float = 0.0,
        carbon_mol: float = 0.0,
        calcium_mol: float = 0.0,
        ammonia_mol: float = 0.0,
    ) -> None:
        """Change what is in a water, and write it down."""
        water.oxygen_g += oxygen_g
        water.alkalinity_mol += alkalinity_mol
        water.carbon_mol += carbon_mol
        water.calcium_mol += calcium_mol
        water.ammonia_mol += ammonia_mol
        self.oxygen_g += oxygen_g
        self.alkalinity_mol += alkalinity_mol
        self.carbon_mol += carbon_mol
        self.calcium_mol += calcium_mol
        self.ammonia_mol += ammonia_mol

    @property
    def heat_in_j(self) -> float:
        """Net heat that came into the water, other than with lost water."""
        gained = self.heaters_j + self.pumps_j + self.lights_j + self.fresh_j
        return gained - self.chiller_j - self.room_j - self.latent_j
