"""The skimmer's cup: foam from the sump into the cup, and over its rim onto the floor."""

from weirsim.circuit import L_H
from weirsim.gear import SkimmateSpec
from weirsim.upset import Upset
from weirsim.vessels import Water


class Cup:
    """The skimmer's cup.

    Attributes:
        water: what is in it.
    """

    __slots__ = ("_spec", "water")

    def __init__(self, spec: SkimmateSpec) -> None:
        self._spec = spec
        self.water = Water()

    @property
    def full(self) -> bool:
        """Whether its float has closed the contact."""
        return 1000.0 * self.water.volume_m3 >= self._spec.full_share * self._spec.cup_l

    def step(self, upset: Upset, on: bool, sump: Water, floor: Water, dt_s: float) -> None:
        """Skim for a while."""
        if not on:
            return
        spec = self._spec
        foam_l_h = spec.foam_l_h + upset.wild_foam * (spec.wet_foam_l_h - spec.foam_l_h)
        sump.give(foam_l_h * L_H * dt_s, self.water)
        self.water.give(self.water.volume_m3 - spec.cup_l / 1000.0, floor)

    def empty(self, drain: Water) -> None:
        """Do what the keeper does with a full cup."""
        self.water.give(self.water.volume_m3, drain)
