"""Ammonia: the part that is un-ionised, and so toxic.

The constant must stand on the same pH scale as the pH: a total-scale constant used with the pH of
an ordinary (NBS) probe overstates the toxic part by a third, a free-scale one with total-scale pH
understates it by a fifth. So the scale is an argument without a default.
"""

from math import log10, pow

from weirwatch.water.equilibrium import equilibrium, scale_shift
from weirwatch.water.ph_probe import Scale
from weirwatch.water.ranges import in_range

_ZERO_K = 273.15


def ammonium_pk(S: float, t_degC: float, scale: Scale) -> float:
    """Return the pK of ammonium in sea water, mol/kg of sea water, on a pH scale.

    Args:
        S: practical salinity, 0 to 40; 5 to 40 for scale free, 20 to 40 for nbs.
        t_degC: −2 to 40; 0 to 40 for scale free or nbs.
        scale: nbs, total or free.

    Source: Clegg & Whitfield 1995, Geochim. Cosmochim. Acta 59:2403, through PyCO2SYS.

    Raises:
        ValueError: outside those ranges, or another scale.
    """
    lowest_S = {"free": 5.0, "nbs": 20.0}.get(scale, 0.0)  # Dickson 1990; Takahashi et al. 1982
    in_range("S", S, lowest_S, 40.0)
    in_range("t_degC", t_degC, -2.0 if scale == "total" else 0.0, 40.0, "°C")
    constants = equilibrium(S, t_degC)
    return -log10(constants.k_ammonium) + scale_shift(constants, scale)


def unionised_fraction(ph: float, S: float, t_degC: float, scale: Scale) -> float:
    """Return NH3 as a fraction of all ammonia in sea water: 1 / (1 + 10^(pK − pH)).

    Args:
        ph: on `scale`, 5 to 10.
        S: practical salinity, 0 to 40; 5 to 40 for scale free, 20 to 40 for nbs. Fresh water on the
            NBS scale: `unionised_fraction_fresh`.
        t_degC: −2 to 40; 0 to 40 for scale free or nbs.
        scale: of the pH: nbs for an ordinary probe.

    Source: `ammonium_pk`.

    Raises:
        ValueError: outside those ranges, or another scale.
    """
    in_range("ph", ph, 5.0, 10.0)
    return 1.0 / (1.0 + pow(10.0, ammonium_pk(S, t_degC, scale) - ph))


def unionised_mg_L(total_mg_L: float, ph: float, S: float, t_degC: float, scale: Scale) -> float:
    """Return NH3 from a test of all ammonia, in the test's unit (mg/l as N stays as N).

    Args:
        total_mg_L: NH3 and NH4+ together, 0 to 100.
        ph: on `scale`, 5 to 10.
        S: as `unionised_fraction`.
        t_degC: as `unionised_fraction`.
        scale: of the pH.

    Source: `unionised_fraction`.

    Raises:
        ValueError: outside those ranges, or another scale.
    """
    in_range("total_mg_L", total_mg_L, 0.0, 100.0, "mg/l")
    return total_mg_L * unionised_fraction(ph, S, t_degC, scale)


def unionised_fraction_fresh(ph: float, t_degC: float) -> float:
    """Return NH3 as a fraction of all ammonia in fresh water.

    Args:
        ph: NBS scale, 5 to 10.
        t_degC: 0 to 30.

    Source: Emerson, Russo, Lund & Thurston 1975, J. Fish. Res. Board Can. 32:2379,
    pK = 0.09018 + 2729.92 / T.

    Raises:
        ValueError: outside those ranges.
    """
    in_range("ph", ph, 5.0, 10.0)
    in_range("t_degC", t_degC, 0.0, 30.0, "°C")
    pk = 0.09018 + 2729.92 / (t_degC + _ZERO_K)
    return 1.0 / (1.0 + pow(10.0, pk - ph))
