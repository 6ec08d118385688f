"""A vessel's water: volume and what is in it, and what falls over its weir within one step."""

from math import expm1, sqrt

from weirsim.plant import VesselSpec
from weirwatch.water.hydraulics import FRANCIS_COEFFICIENT


class Water:
    """A well-mixed amount of water. What is moved carries its share of everything along.

    Amounts, not concentrations: divided by the volume, grams are mg/L and moles are mmol/L.

    Attributes:
        volume_m3: at least 0.
        salt_kg: dissolved salt.
        heat_j: above water of 0 °C.
        oxygen_g: dissolved oxygen.
        alkalinity_mol: charge equivalents.
        carbon_mol: dissolved inorganic carbon.
        calcium_mol: calcium.
        ammonia_mol: ammonia and ammonium together, as nitrogen.
    """

    __slots__ = (
        "alkalinity_mol",
        "ammonia_mol",
        "calcium_mol",
        "carbon_mol",
        "heat_j",
        "oxygen_g",
        "salt_kg",
        "volume_m3",
    )

    def __init__(self, volume_m3: float = 0.0, salt_kg: float = 0.0, heat_j: float = 0.0) -> None:
        self.volume_m3 = volume_m3
        self.salt_kg = salt_kg
        self.heat_j = heat_j
        self.oxygen_g = 0.0
        self.alkalinity_mol = 0.0
        self.carbon_mol = 0.0
        self.calcium_mol = 0.0
        self.ammonia_mol = 0.0

    def give(self, volume_m3: float, to: "Water") -> None:
        """Move some of this water, at most all of it, into another."""
        if volume_m3 <= 0.0:
            return
        if volume_m3 < self.volume_m3:
            share, volume = volume_m3 / self.volume_m3, volume_m3
        else:
            share, volume = 1.0, self.volume_m3
        self.volume_m3 -= volume
        to.volume_m3 += volume
        moved = self.salt_kg * share  # each by itself: a loop over names takes thrice as long
        self.salt_kg -= moved
        to.salt_kg += moved
        moved = self.heat_j * share
        self.heat_j -= moved
        to.heat_j += moved
        moved = self.oxygen_g * share
        self.oxygen_g -= moved
        to.oxygen_g += moved
        moved = self.alkalinity_mol * share
        self.alkalinity_mol -= moved
        to.alkalinity_mol += moved
        moved = self.carbon_mol * share
        self.carbon_mol -= moved
        to.carbon_mol += moved
        moved = self.calcium_mol * share
        self.calcium_mol -= moved
        to.calcium_mol += moved
        moved = self.ammonia_mol * share
        self.ammonia_mol -= moved
        to.ammonia_mol += moved


class Vessel(Water):
    """A vessel with straight walls, perhaps with an overflow weir.

    Attributes:
        spec: as described.
        crest_m3: contents up to the crest; the rim where there is no weir.
        full_m3: the spec's volume.
        rim_m3: contents up to the rim.
        open_share: open share of the weir's crest, 0 blocked to 1 clear.
        spilled_m3: what has fallen over the weir since the chemistry last looked.
    """

    __slots__ = (
        "_weir_c",
        "area_m2",
        "crest_m3",
        "full_m3",
        "open_share",
        "rim_m3",
        "spec",
        "spilled_m3",
    )

    def __init__(self, spec: VesselSpec, volume_m3: float) -> None:
        super().__init__(volume_m3)
        self.spec = spec
        self.area_m2 = spec.area_m2
        self.full_m3 = spec.volume_l / 1000.0
        self.rim_m3 = self.full_m3 if spec.role == "sump" else spec.height_m * spec.area_m2
        if spec.role == "reservoir":
            self.rim_m3 = max(self.rim_m3, self.full_m3)
        self.crest_m3 = spec.area_m2 * (spec.crest_m if spec.crest_m else spec.height_m)
        self._weir_c = FRANCIS_COEFFICIENT * (spec.crest_length_m or 0.0)
        self.open_share = 1.0
        self.spilled_m3 = 0.0

    @property
    def level_m(self) -> float:
        """Water surface above the vessel's floor."""
        return self.volume_m3 / self.area_m2

    @property
    def head_m(self) -> float:
        """Water surface above the crest, at least 0."""
        return max(0.0, (self.volume_m3 - self.crest_m3) / self.area_m2)

    def spill_m3(self, inflow_m3_s: float, dt_s: float) -> float:
        """Return what falls over the weir within a step; the inflow is already in the vessel.

        dH/dt = (Qin − c L H^1.5) / A by one exponential Rosenbrock-Euler step: exact for the
        linearised equation, second order, stable for steps far longer than the vessel's own time.
        No such step may carry the head past the one at which as much goes over as flows in: the
        true one never gets there. From an empty crest, where nothing restrains it, it would.
        Water is conserved whatever the step: what did not stay has gone over the crest.
        """
        start_m3 = self.volume_m3 - inflow_m3_s * dt_s
        head = (start_m3 - self.crest_m3) / self.area_m2
        if head < 0.0:  # the inflow first fills the vessel to its crest
            if self.volume_m3 <= self.crest_m3:
                return 0.0
            dt_s = (self.volume_m3 - self.crest_m3) / inflow_m3_s
            head = 0.0
        weir = self._weir_c * self.open_share
        root = sqrt(head)
        rise_m_s = (inflow_m3_s - weir * head * root) / self.area_m2
        slope = -1.5 * weir * root / self.area_m2 * dt_s
        gain = expm1(slope) / slope if slope < -1e-9 else 1.0
        new_head = head + dt_s * gain * rise_m_s
        if weir > 0.0 and new_head > 0.0:
            there_m_s = inflow_m3_s - weir * new_head * sqrt(new_head)
            if rise_m_s * there_m_s < 0.0:
                new_head = (inflow_m3_s / weir) ** (2.0 / 3.0)
        above_m3 = self.volume_m3 - self.crest_m3
        return max(0.0, above_m3 - max(0.0, new_head) * self.area_m2)
