"""The acids and bases of sea water in balance: one set of constants, and what follows from it.

PyCO2SYS supplies every constant; the few equations are solved here, because its own full solution
also differentiates the system and takes a hundred times as long. Tests compare the two.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import log10, pow

from weirwatch.water.ranges import in_range

_LUEKER = 10  # PyCO2SYS option: K1 and K2 of Lueker et al. 2000
_UPPSTROM = 1  # PyCO2SYS option: total borate of Uppström 1974
_DICKSON = 1  # PyCO2SYS option: KSO4 of Dickson 1990
_TOTAL_SCALE = 1  # PyCO2SYS option
_PH_LOW, _PH_HIGH = 3.0, 12.0


@dataclass(frozen=True, slots=True)
class Equilibrium:
    """Constants at one salinity and temperature, 1 atm: total scale, mol/kg of sea water.

    Make it with `equilibrium`; it stays valid while both stay the same.

    Attributes:
        k1, k2: carbonic acid. kb: boric acid. kw: water.
        k0: solubility of carbon dioxide, mol/(kg atm), times its fugacity factor.
        ks, kf: bisulphate and fluoride, free scale.
        k_ammonium: NH4+ in balance with NH3 and H+.
        k_aragonite: solubility product, mol²/kg².
        borate, sulphate, fluoride, calcium: totals, mol/kg.
        total_to_free: [H] on the free scale over [H] on the total scale.
        total_to_nbs: [H] on the NBS scale over [H] on the total scale.
    """

    k1: float
    k2: float
    kb: float
    kw: float
    k0: float
    ks: float
    kf: float
    k_ammonium: float
    k_aragonite: float
    borate: float
    sulphate: float
    fluoride: float
    calcium: float
    total_to_free: float
    total_to_nbs: float

    def alkalinity(self, ph: float, dic: float) -> float:
        """Return total alkalinity from total-scale pH and inorganic carbon, all in mol/kg."""
        h = pow(10.0, -ph)
        carbon = dic * (self.k1 * h + 2.0 * self.k1 * self.k2)
        return carbon / (h * h + self.k1 * h + self.k1 * self.k2) + self._other(h)

    def dic(self, ph: float, alkalinity: float) -> float:
        """Return inorganic carbon from total-scale pH and total alkalinity, all in mol/kg.

        Raises:
            ValueError: so little alkalinity cannot give so high a pH.
        """
        h = pow(10.0, -ph)
        carbonate = alkalinity - self._other(h)
        if carbonate <= 0.0:
            raise ValueError(
                f"alkalinity = {alkalinity * 1e6:g} µmol/kg is too low for pH {ph:g} (total): "
                f"more than {self._other(h) * 1e6:g} is needed"
            )
        share = self.k1 * h + 2.0 * self.k1 * self.k2
        return carbonate * (h * h + self.k1 * h + self.k1 * self.k2) / share

    def pco2(self, ph: float, dic: float) -> float:
        """Return the partial pressure of carbon dioxide, in atm."""
        h = pow(10.0, -ph)
        dissolved = dic * h * h / (h * h + self.k1 * h + self.k1 * self.k2)
        return dissolved / self.k0

    def carbonate_ion(self, ph: float, dic: float) -> float:
        """Return the carbonate ion, in mol/kg."""
        h = pow(10.0, -ph)
        return dic * self.k1 * self.k2 / (h * h + self.k1 * h + self.k1 * self.k2)

    def ph_from_dic(self, alkalinity: float, dic: float) -> float:
        """Return total-scale pH from alkalinity and inorganic carbon, in mol/kg.

        Raises:
            ValueError: the pH would lie outside 3 to 12.
        """
        return _root(lambda ph: self.alkalinity(ph, dic) - alkalinity)

    def ph_from_pco2(self, alkalinity: float, pco2: float) -> float:
        """Return total-scale pH from alkalinity in mol/kg and partial pressure in atm.

        Raises:
            ValueError: the pH would lie outside 3 to 12.
        """

        def excess(ph: float) -> float:
            h = pow(10.0, -ph)
            dic = self.k0 * pco2 * (1.0 + self.k1 / h * (1.0 + self.k2 / h))
            return self.alkalinity(ph, dic) - alkalinity

        return _root(excess)

    def _other(self, h: float) -> float:
        """Alkalinity that is not carbon's: borate, hydroxide, less what binds hydrogen."""
        free = h * self.total_to_free
        bound = self.sulphate / (1.0 + self.ks / free) + self.fluoride / (1.0 + self.kf / free)
        return self.borate * self.kb / (self.kb + h) + self.kw / h - free - bound


def equilibrium(S: float, t_degC: float) -> Equilibrium:
    """Return the constants of sea water.

    Args:
        S: practical salinity, 0 to 45; each constant has its own narrower range, which the
            functions of `carbonate` and `ammonia` check.
        t_degC: −2 to 45.

    Source: PyCO2SYS: K1, K2 Lueker et al. 2000; KSO4 Dickson 1990; borate Uppström 1974; KNH4
    Clegg & Whitfield 1995; total scale.

    Raises:
        ValueError: outside those ranges.
    """
    import PyCO2SYS  # half a second to load: only who needs it pays

    in_range("S", S, 0.0, 45.0)
    in_range("t_degC", t_degC, -2.0, 45.0, "°C")
    found = PyCO2SYS.sys(
        salinity=S,
        temperature=t_degC,
        opt_k_carbonic=_LUEKER,
        opt_total_borate=_UPPSTROM,
        opt_k_bisulfate=_DICKSON,
        opt_pH_scale=_TOTAL_SCALE,
    )
    value = {name: float(found[name]) for name in _NAMES}
    sulphate, fluoride = value["total_sulfate"] * 1e-6, value["total_fluoride"] * 1e-6
    ks, kf = value["k_bisulfate"], value["k_fluoride"]
    free_to_total = 1.0 + sulphate / ks
    free_to_sea = free_to_total + fluoride / kf
    return Equilibrium(
        k1=value["k_carbonic_1"],
        k2=value["k_carbonic_2"],
        kb=value["k_borate"],
        kw=value["k_water"],
        k0=value["k_CO2"] * value["fugacity_factor"],
        ks=ks,
        kf=kf,
        k_ammonium=value["k_ammonia"],
        k_aragonite=value["k_aragonite"],
        borate=value["total_borate"] * 1e-6,
        sulphate=sulphate,
        fluoride=fluoride,
        calcium=value["total_calcium"] * 1e-6,
        total_to_free=1.0 / free_to_total,
        total_to_nbs=free_to_sea / free_to_total * value["fH"],
    )


def scale_shift(constants: Equilibrium, scale: str) -> float:
    """Return what to add to a total-scale pH for its value on another scale.

    Args:
        constants: of the water.
        scale: nbs, total or free.

    Source: NBS by the activity factor fH of Takahashi et al. 1982 (real electrodes scatter by 0.01
    to 0.05 around it); free by KSO4 of Dickson 1990.

    Raises:
        ValueError: another scale.
    """
    if scale == "total":
        return 0.0
    if scale == "free":
        return -log10(constants.total_to_free)
    if scale == "nbs":
        return -log10(constants.total_to_nbs)
    raise ValueError(f"scale = {scale!r} is not one of nbs, total, free")


_NAMES = (
    "k_carbonic_1",
    "k_carbonic_2",
    "k_borate",
    "k_water",
    "k_CO2",
    "k_bisulfate",
    "k_fluoride",
    "k_ammonia",
    "k_aragonite",
    "fugacity_factor",
    "fH",
    "total_borate",
    "total_sulfate",
    "total_fluoride",
    "total_calcium",
)


def _root(excess: Callable[[float], float]) -> float:
    """The pH at which a rising function is 0, by halving: always converges."""
    low, high = _PH_LOW, _PH_HIGH
    if not excess(low) <= 0.0 <= excess(high):
        raise ValueError(f"no pH in {_PH_LOW:g} to {_PH_HIGH:g} fits this alkalinity and carbon")
    while high - low > 1e-11:
        middle = 0.5 * (low + high)
        if excess(middle) < 0.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
