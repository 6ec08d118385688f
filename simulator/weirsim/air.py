"""The air of the sump room and the socket strip in it: carbon dioxide, and warmth of contacts."""

from math import exp

from weirsim.gear import AirSpec, StripSpec
from weirsim.upset import Upset

MOL_L = 24.06  # litres of gas per mol at 20 °C and 1 atm: R T / p


class Air:
    """What people breathe in the sump room, and the water beside them.

    Attributes:
        co2_ppm: of dry air.
        vented_mol: carbon dioxide that the plant gave off since the last step.
    """

    __slots__ = ("_spec", "co2_ppm", "vented_mol")

    def __init__(self, spec: AirSpec) -> None:
        self._spec = spec
        self.co2_ppm = spec.outdoor_ppm + _ppm_h(spec.people_l_h, spec) / spec.changes_h
        self.vented_mol = 0.0

    def step(self, upset: Upset, dt_s: float) -> None:
        """Let sources and draught act: dC/dt = E/V − n (C − Cout), exact for constant sources."""
        spec, hours = self._spec, dt_s / 3600.0
        crowd = upset.crowd
        changes = spec.changes_h + crowd * (spec.shut_changes_h - spec.changes_h)
        litres_h = spec.people_l_h + crowd * (spec.crowd_l_h - spec.people_l_h)
        litres_h += upset.gas_leak * spec.bottle_leak_l_h
        litres_h += self.vented_mol * MOL_L / hours
        self.vented_mol = 0.0
        rest = spec.outdoor_ppm + _ppm_h(litres_h, spec) / changes
        self.co2_ppm = rest + (self.co2_ppm - rest) * exp(-changes * hours)


class Strip:
    """The socket strip, one lump of warmth.

    Attributes:
        rise_k: above the room.
    """

    __slots__ = ("_spec", "rise_k")

    def __init__(self, spec: StripSpec) -> None:
        self._spec = spec
        self.rise_k = spec.rise_k

    def step(self, upset: Upset, dt_s: float) -> None:
        """Warm or cool: P R above the room in the end, with one time constant."""
        spec = self._spec
        rest = 0.0
        if upset.powered:
            rest = spec.rise_k + upset.worn_contact * spec.worn_w * spec.k_per_w
        self.rise_k = rest + (self.rise_k - rest) * exp(-dt_s / spec.settles_s)


def _ppm_h(litres_h: float, spec: AirSpec) -> float:
    return litres_h / 1000.0 / spec.volume_m3 * 1e6
