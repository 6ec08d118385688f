"""What sea water is made of where the plant is: constants read from a grid, and pH found quickly.

The constants are those of `weirwatch.water` at whole degrees and whole units of salinity, and in
between interpolated (logarithms, bilinear): pH within 0.0002 of `water.carbonate`, oxygen within
0.01 mg/L of `water.oxygen`. pH is found by Newton's method from where it was.
"""

from collections.abc import Callable
from functools import lru_cache
from math import exp, log, log10
from typing import NamedTuple

from weirwatch.water.equilibrium import equilibrium
from weirwatch.water.oxygen import saturation_mg_L
from weirwatch.water.salinity import density_kg_m3

_COLDEST, _WARMEST = 1.0, 38.99
_FRESHEST, _SALTIEST = 5.0, 40.99
_CLOSE = 1e-9  # of the logarithm of the hydrogen ion: 4e-10 of pH
_LONGEST_STRIDE = 2.0  # of that logarithm, in one step of Newton's


class Sea(NamedTuple):
    """Sea water at one salinity and temperature, 1 atm; constants in mol/kg, total scale.

    Attributes:
        k1, k2, kb, kw: carbonic and boric acid, water.
        k0: mol of carbon dioxide per kg and atm.
        aragonite: solubility product.
        ammonium: NH4+ in balance with NH3.
        borate: total.
        acid: what hydrogen ions count in the alkalinity, fluoride's share among them.
        nbs: hydrogen ions on the NBS scale over those on the total scale.
        kg_m3: density.
        oxygen_mg_l: in balance with air.
    """

    k1: float
    k2: float
    kb: float
    kw: float
    k0: float
    aragonite: float
    ammonium: float
    borate: float
    acid: float
    nbs: float
    kg_m3: float
    oxygen_mg_l: float

    def hydrogen(self, alkalinity: float, carbon: float, guess: float) -> float:
        """Return the hydrogen ion in mol/kg, total scale.

        Args:
            alkalinity: mol/m³, which is meq/L.
            carbon: inorganic carbon, mol/m³.
            guess: where to begin, above 0.
        """
        k1, k2, kb = self.k1, self.k2, self.kb
        wanted, carbon = alkalinity / self.kg_m3, carbon / self.kg_m3
        h = guess
        for _ in range(40):
            k1k2, k1h = k1 * k2, k1 * h
            below = h * h + k1h + k1k2
            boron, water, free = self.borate * kb / (kb + h), self.kw / h, self.acid * h
            excess = carbon * (k1h + 2.0 * k1k2) / below + boron + water - free - wanted
            slope = carbon * k1h * (h * h + 4.0 * k2 * h + k1k2) / (below * below)
            slope += boron * h / (kb + h) + water + free
            stride = excess / slope
            stride = min(_LONGEST_STRIDE, max(-_LONGEST_STRIDE, stride))
            h *= exp(stride)
            if abs(stride) < _CLOSE:
                break
        return h

    def dissolved_co2(self, h: float, carbon: float) -> float:
        """Return CO2 in solution from hydrogen in mol/kg and carbon in mol/m³, in mol/m³."""
        return carbon * h * h / (h * h + self.k1 * h + self.k1 * self.k2)

    def carbon_at(self, alkalinity: float, h: float) -> float:
        """Return the inorganic carbon in mol/m³ that goes with an alkalinity at this hydrogen."""
        rest = self.borate * self.kb / (self.kb + h) + self.kw / h - self.acid * h
        share = self.k1 * h + 2.0 * self.k1 * self.k2
        below = h * h + self.k1 * h + self.k1 * self.k2
        return (alkalinity - rest * self.kg_m3) * below / share

    def saturation(self, h: float, carbon: float, calcium: float) -> float:
        """Return how saturated the water is with aragonite; carbon and calcium in mol/m³."""
        below = h * h + self.k1 * h + self.k1 * self.k2
        carbonate = carbon * self.k1 * self.k2 / below / self.kg_m3
        return calcium / self.kg_m3 * carbonate / self.aragonite

    def unionised(self, h: float) -> float:
        """Return NH3 as a share of all ammonia."""
        return self.ammonium / (self.ammonium + h)

    def ph_nbs(self, h: float) -> float:
        """Return the pH that a probe calibrated in ordinary buffers reads."""
        return -log10(h * self.nbs)

    def hydrogen_at(self, ph_nbs: float) -> float:
        """Return the hydrogen ion of a pH on the NBS scale."""
        return exp(-ph_nbs * log(10.0)) / self.nbs


def sea(salinity: float, degc: float) -> Sea:
    """Return sea water as it is there; held at the ends of 5 to 41 and 1 to 39 °C."""
    s = min(_SALTIEST, max(_FRESHEST, salinity))
    t = min(_WARMEST, max(_COLDEST, degc))
    low_s, low_t = int(s), int(t)
    ds, dt = s - low_s, t - low_t
    a, b = _logs(low_s, low_t), _logs(low_s, low_t + 1)
    c, d = _logs(low_s + 1, low_t), _logs(low_s + 1, low_t + 1)
    wa, wb, wc, wd = (1.0 - ds) * (1.0 - dt), (1.0 - ds) * dt, ds * (1.0 - dt), ds * dt
    return Sea(
        *(
            exp(wa * va + wb * vb + wc * vc + wd * vd)
            for va, vb, vc, vd in zip(a, b, c, d, strict=True)
        )
    )


@lru_cache(maxsize=2048)
def _logs(salinity: int, degc: int) -> tuple[float, ...]:
    """Logarithms of a Sea at a node of the grid."""
    found = equilibrium(float(salinity), float(degc))
    node = Sea(
        k1=found.k1,
        k2=found.k2,
        kb=found.kb,
        kw=found.kw,
        k0=found.k0,
        aragonite=found.k_aragonite,
        ammonium=found.k_ammonium,
        borate=found.borate,
        acid=1.0 + found.fluoride / found.kf * found.total_to_free,
        nbs=found.total_to_nbs,
        kg_m3=density_kg_m3(float(salinity), float(degc)),
        oxygen_mg_l=saturation_mg_L(float(salinity), float(degc)),
    )
    logs: Callable[[float], float] = log
    return tuple(logs(value) for value in node)
