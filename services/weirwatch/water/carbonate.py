"""Alkalinity, carbon dioxide and pH: what follows from what, and the units of alkalinity.

Every pH is given and returned on a scale that the caller must name: nbs (a probe calibrated in the
usual buffers), total or free. Test kits measure per litre, chemistry per kilogram: the conversions
take salinity and temperature, because forgetting the density is an error of 2.3 %.

Ranges of the constants (Lueker et al. 2000): S 19 to 43, 2 to 35 °C. Above 500 µatm the second
constant grows uncertain, so values for a reactor's chamber are indicative.
"""

from typing import Literal

from weirwatch.water.equilibrium import Equilibrium, equilibrium, scale_shift
from weirwatch.water.heat import sea_vapour_pressure_pa
from weirwatch.water.ph_probe import Scale
from weirwatch.water.ranges import in_range
from weirwatch.water.salinity import density_kg_m3

Dose = Literal["bicarbonate", "carbonate", "hydroxide"]

CAO_G_MOL = 56.0774  # IUPAC atomic weights
CACO3_G_MOL = 100.0869
CALCIUM_G_MOL = 40.078
DKH_PER_MEQ_L = CAO_G_MOL / 2.0 / 10.0  # 1 dKH is 10 mg CaO per litre: 2.804
CACO3_MG_PER_MEQ = CACO3_G_MOL / 2.0  # 50.04
_ATMOSPHERE_PA = 101_325.0
_MOST_MEQ_L = 60.0  # more than any reactor effluent
_CARBON_PER_ALKALINITY = {"bicarbonate": 1.0, "carbonate": 0.5, "hydroxide": 0.0}


def meq_L_to_dkh(alkalinity_meq_L: float) -> float:
    """Return meq/l as German degrees of carbonate hardness. Range 0 to 60 meq/l.

    Source: definition, 1 dKH = 10 mg CaO per litre; 2.804 dKH per meq/l.

    Raises:
        ValueError: outside that range.
    """
    return _check_meq("alkalinity_meq_L", alkalinity_meq_L) * DKH_PER_MEQ_L


def dkh_to_meq_L(alkalinity_dkh: float) -> float:
    """Return dKH as meq/l. Range 0 to 168 dKH. Source: as `meq_L_to_dkh`.

    Raises:
        ValueError: outside that range.
    """
    in_range("alkalinity_dkh", alkalinity_dkh, 0.0, _MOST_MEQ_L * DKH_PER_MEQ_L, "dKH")
    return alkalinity_dkh / DKH_PER_MEQ_L


def meq_L_to_caco3_mg_L(alkalinity_meq_L: float) -> float:
    """Return meq/l as mg/l of calcium carbonate ("ppm"). Range 0 to 60 meq/l.

    Source: molar mass, 50.04 mg per meq.

    Raises:
        ValueError: outside that range.
    """
    return _check_meq("alkalinity_meq_L", alkalinity_meq_L) * CACO3_MG_PER_MEQ


def caco3_mg_L_to_meq_L(alkalinity_mg_L: float) -> float:
    """Return mg/l of calcium carbonate as meq/l. Range 0 to 3002 mg/l. Source: molar mass.

    Raises:
        ValueError: outside that range.
    """
    in_range("alkalinity_mg_L", alkalinity_mg_L, 0.0, _MOST_MEQ_L * CACO3_MG_PER_MEQ, "mg/l")
    return alkalinity_mg_L / CACO3_MG_PER_MEQ


def dkh_to_caco3_mg_L(alkalinity_dkh: float) -> float:
    """Return dKH as mg/l of calcium carbonate: × 17.85. Range 0 to 168 dKH. Source: as above.

    Raises:
        ValueError: outside that range.
    """
    return meq_L_to_caco3_mg_L(dkh_to_meq_L(alkalinity_dkh))


def caco3_mg_L_to_dkh(alkalinity_mg_L: float) -> float:
    """Return mg/l of calcium carbonate as dKH. Range 0 to 3002 mg/l. Source: as above.

    Raises:
        ValueError: outside that range.
    """
    return meq_L_to_dkh(caco3_mg_L_to_meq_L(alkalinity_mg_L))


def meq_L_to_umol_kg(alkalinity_meq_L: float, S: float, t_degC: float) -> float:
    """Return meq/l as µmol/kg: × 10⁶ / density.

    Args:
        alkalinity_meq_L: 0 to 60.
        S: practical salinity, 0 to 42.
        t_degC: of the sample, 0 to 40.

    Source: density of TEOS-10.

    Raises:
        ValueError: outside those ranges.
    """
    return _check_meq("alkalinity_meq_L", alkalinity_meq_L) * 1e6 / density_kg_m3(S, t_degC)


def umol_kg_to_meq_L(alkalinity_umol_kg: float, S: float, t_degC: float) -> float:
    """Return µmol/kg as meq/l; ranges as `meq_L_to_umol_kg`.

    Source: density of TEOS-10.

    Raises:
        ValueError: outside those ranges.
    """
    density = density_kg_m3(S, t_degC)
    return _check_meq("alkalinity_umol_kg, in meq/l,", alkalinity_umol_kg * density / 1e6)


def dkh_to_umol_kg(alkalinity_dkh: float, S: float, t_degC: float) -> float:
    """Return dKH as µmol/kg. Ranges 0 to 168 dKH, S 0 to 42, 0 to 40 °C.

    Source: definition of dKH, density of TEOS-10.

    Raises:
        ValueError: outside those ranges.
    """
    return meq_L_to_umol_kg(dkh_to_meq_L(alkalinity_dkh), S, t_degC)


def umol_kg_to_dkh(alkalinity_umol_kg: float, S: float, t_degC: float) -> float:
    """Return µmol/kg as dKH; ranges as `dkh_to_umol_kg`.

    Source: definition of dKH, density of TEOS-10.

    Raises:
        ValueError: outside those ranges.
    """
    return meq_L_to_dkh(umol_kg_to_meq_L(alkalinity_umol_kg, S, t_degC))


def normalise_to_35(value: float, S: float) -> float:
    """Return a calcium, magnesium or alkalinity as it would be at S 35: value × 35 / S.

    Args:
        value: any unit, at least 0.
        S: practical salinity, 20 to 42.

    Source: constancy of composition of sea water.

    Raises:
        ValueError: outside those ranges.
    """
    in_range("value", value, 0.0, 1e6)
    return value * 35.0 / in_range("S", S, 20.0, 42.0)


def convert_ph(ph: float, S: float, t_degC: float, source: Scale, target: Scale) -> float:
    """Return a pH on another scale.

    Args:
        ph: on the source scale, 2 to 13.
        S: practical salinity, 19 to 43; 20 to 40 where nbs takes part.
        t_degC: 2 to 35.
        source: nbs, total or free.
        target: nbs, total or free.

    Source: `equilibrium.scale_shift`. At S 35, 25 °C NBS is 0.137 above total by convention; a real
    electrode's liquid junction adds 0.01 to 0.05 either way.

    Raises:
        ValueError: outside those ranges.
    """
    in_range("ph", ph, 2.0, 13.0)
    constants = _constants(S, t_degC, source, target)
    return ph - scale_shift(constants, source) + scale_shift(constants, target)


def ph_from_alkalinity_pco2(
    alkalinity_umol_kg: float, pco2_uatm: float, S: float, t_degC: float, scale: Scale
) -> float:
    """Return the pH of water in balance with this much carbon dioxide.

    A vessel lags behind its room by hours: this is where it goes, not where it is.

    Args:
        alkalinity_umol_kg: 200 to 30 000.
        pco2_uatm: in the water, 10 to 200 000; from room air by `pco2_from_room_ppm`.
        S: practical salinity, 19 to 43; 20 to 40 for scale nbs.
        t_degC: 2 to 35.
        scale: of the result.

    Source: PyCO2SYS constants, see `equilibrium`.

    Raises:
        ValueError: outside those ranges.
    """
    _check_alkalinity(alkalinity_umol_kg)
    in_range("pco2_uatm", pco2_uatm, 10.0, 200_000.0, "µatm")
    constants = _constants(S, t_degC, scale)
    ph = constants.ph_from_pco2(alkalinity_umol_kg * 1e-6, pco2_uatm * 1e-6)
    return ph + scale_shift(constants, scale)


def pco2_from_alkalinity_ph(
    alkalinity_umol_kg: float, ph: float, S: float, t_degC: float, scale: Scale
) -> float:
    """Return the partial pressure of carbon dioxide in the water, in µatm.

    Args:
        alkalinity_umol_kg: 200 to 30 000.
        ph: on `scale`, 5 to 10.
        S: practical salinity, 19 to 43; 20 to 40 for scale nbs.
        t_degC: 2 to 35.
        scale: of the pH.

    Source: PyCO2SYS constants, see `equilibrium`.

    Raises:
        ValueError: outside those ranges, or so little alkalinity cannot give that pH.
    """
    constants, total_ph, dic = _solve(alkalinity_umol_kg, ph, S, t_degC, scale)
    return constants.pco2(total_ph, dic) * 1e6


def dic_from_alkalinity_ph(
    alkalinity_umol_kg: float, ph: float, S: float, t_degC: float, scale: Scale
) -> float:
    """Return the dissolved inorganic carbon, in µmol/kg; arguments as `pco2_from_alkalinity_ph`.

    Source: PyCO2SYS constants, see `equilibrium`.

    Raises:
        ValueError: outside those ranges, or so little alkalinity cannot give that pH.
    """
    return _solve(alkalinity_umol_kg, ph, S, t_degC, scale)[2] * 1e6


def ph_from_alkalinity_dic(
    alkalinity_umol_kg: float, dic_umol_kg: float, S: float, t_degC: float, scale: Scale
) -> float:
    """Return the pH from alkalinity and dissolved inorganic carbon.

    Args:
        alkalinity_umol_kg: 200 to 30 000.
        dic_umol_kg: 100 to 50 000.
        S: practical salinity, 19 to 43; 20 to 40 for scale nbs.
        t_degC: 2 to 35.
        scale: of the result.

    Source: PyCO2SYS constants, see `equilibrium`.

    Raises:
        ValueError: outside those ranges, or the pH would lie outside 3 to 12.
    """
    _check_alkalinity(alkalinity_umol_kg)
    in_range("dic_umol_kg", dic_umol_kg, 100.0, 50_000.0, "µmol/kg")
    constants = _constants(S, t_degC, scale)
    ph = constants.ph_from_dic(alkalinity_umol_kg * 1e-6, dic_umol_kg * 1e-6)
    return ph + scale_shift(constants, scale)


def aragonite_saturation(
    alkalinity_umol_kg: float,
    ph: float,
    S: float,
    t_degC: float,
    scale: Scale,
    calcium_mg_L: float | None = None,
) -> float:
    """Return the saturation state of aragonite: above 1 coral skeleton does not dissolve.

    Args:
        alkalinity_umol_kg: 200 to 30 000.
        ph: on `scale`, 5 to 10.
        S: practical salinity, 19 to 43; 20 to 40 for scale nbs.
        t_degC: 2 to 35.
        scale: of the pH.
        calcium_mg_L: measured, 50 to 1500; None: sea water's own share of the salinity.

    Source: PyCO2SYS constants; aragonite Mucci 1983.

    Raises:
        ValueError: outside those ranges, or so little alkalinity cannot give that pH.
    """
    constants, total_ph, dic = _solve(alkalinity_umol_kg, ph, S, t_degC, scale)
    calcium = constants.calcium
    if calcium_mg_L is not None:
        in_range("calcium_mg_L", calcium_mg_L, 50.0, 1500.0, "mg/l")
        calcium = calcium_mg_L / CALCIUM_G_MOL / density_kg_m3(S, t_degC)
    return calcium * constants.carbonate_ion(total_ph, dic) / constants.k_aragonite


def ph_after_dose(
    alkalinity_umol_kg: float,
    ph: float,
    S: float,
    t_degC: float,
    scale: Scale,
    added_umol_kg: float,
    dose: Dose,
) -> float:
    """Return the pH right after a dose, before any carbon dioxide comes from or goes to the air.

    Args:
        alkalinity_umol_kg: before, 200 to 30 000.
        ph: before, on `scale`, 5 to 10.
        S: practical salinity, 19 to 43; 20 to 40 for scale nbs.
        t_degC: 2 to 35.
        scale: of both pH values.
        added_umol_kg: alkalinity the dose adds to the whole volume, 0 to 5000.
        dose: bicarbonate (NaHCO3), carbonate (Na2CO3) or hydroxide (lime-water).

    Source: PyCO2SYS constants; each dose's carbon per alkalinity.

    Raises:
        ValueError: outside those ranges, or an unknown dose.
    """
    if dose not in _CARBON_PER_ALKALINITY:
        raise ValueError(f"dose = {dose!r} is not one of {', '.join(_CARBON_PER_ALKALINITY)}")
    in_range("added_umol_kg", added_umol_kg, 0.0, 5000.0, "µmol/kg")
    constants, _, dic = _solve(alkalinity_umol_kg, ph, S, t_degC, scale)
    carbon = dic + added_umol_kg * 1e-6 * _CARBON_PER_ALKALINITY[dose]
    after = constants.ph_from_dic((alkalinity_umol_kg + added_umol_kg) * 1e-6, carbon)
    return after + scale_shift(constants, scale)


def pco2_from_room_ppm(co2_ppm: float, S: float, t_degC: float, pressure_atm: float = 1.0) -> float:
    """Return the partial pressure that water takes on under room air, in µatm.

    Args:
        co2_ppm: of dry air, as room sensors report it, 100 to 100 000.
        S: practical salinity, 0 to 42.
        t_degC: of the water, 0.01 to 40.
        pressure_atm: of the air, 0.5 to 1.1.

    Source: ppm × (p − water vapour); 400 ppm are 388 µatm at 25 °C.

    Raises:
        ValueError: outside those ranges.
    """
    in_range("co2_ppm", co2_ppm, 100.0, 100_000.0, "ppm")
    in_range("pressure_atm", pressure_atm, 0.5, 1.1, "atm")
    return co2_ppm * (pressure_atm - sea_vapour_pressure_pa(S, t_degC) / _ATMOSPHERE_PA)


def _solve(
    alkalinity_umol_kg: float, ph: float, S: float, t_degC: float, scale: Scale
) -> tuple[Equilibrium, float, float]:
    """Constants, total-scale pH and inorganic carbon in mol/kg."""
    _check_alkalinity(alkalinity_umol_kg)
    in_range("ph", ph, 5.0, 10.0)
    constants = _constants(S, t_degC, scale)
    total_ph = ph - scale_shift(constants, scale)
    return constants, total_ph, constants.dic(total_ph, alkalinity_umol_kg * 1e-6)


def _constants(S: float, t_degC: float, *scales: Scale) -> Equilibrium:
    low, high = (20.0, 40.0) if "nbs" in scales else (19.0, 43.0)  # fH; Lueker et al. 2000
    in_range("S", S, low, high)
    in_range("t_degC", t_degC, 2.0, 35.0, "°C")
    return equilibrium(S, t_degC)


def _check_alkalinity(alkalinity_umol_kg: float) -> None:
    in_range("alkalinity_umol_kg", alkalinity_umol_kg, 200.0, 30_000.0, "µmol/kg")


def _check_meq(name: str, value: float) -> float:
    return in_range(name, value, 0.0, _MOST_MEQ_L, "meq/l")
