"""Oxygen: how much the water can hold, how full it is, and how long it lasts without pumps.

`critical` and `uptake` are the keeper's: night-time uptake of stocked sea water is 0.2 to 1.0
mg/l/h and working limits are 5 (warn), 4 and 3 mg/l (critical): common practice, no source.
"""

from collections.abc import Sequence
from math import exp, expm1, inf, log1p
from typing import Literal

from weirwatch.water.fits import running_integral, straight_line
from weirwatch.water.heat import sea_vapour_pressure_pa
from weirwatch.water.ranges import above_zero, in_range, not_negative, rising
from weirwatch.water.salinity import density_kg_m3

OXYGEN_G_MOL = 31.9988
ATMOSPHERE_PA = 101_325.0
UMOL_PER_ML = 44.661  # one ml of oxygen at 0 °C and 1 atm; Garcia & Gordon 1992
# Wanninkhof 2014, Limnol. Oceanogr. Methods 12:351, table 1: powers of t from the zeroth
_SCHMIDT = {
    "oxygen": (1920.4, -135.6, 5.2122, -0.10939, 0.00093777),
    "carbon-dioxide": (2116.8, -136.25, 4.7353, -0.092307, 0.0007555),
}
_SEALED_PER_H = 1e-12  # slower exchange than this is none, and would only cost digits
_MOST_MG_L = 60.0  # more than pure oxygen at 1 atm dissolves in warm water


def saturation_umol_kg(S: float, t_degC: float) -> float:
    """Return the oxygen of water in equilibrium with moist air at 1 atm, in µmol/kg.

    Args:
        S: practical salinity, 0 to 42.
        t_degC: 0 to 40.

    Source: Garcia & Gordon 1992, Limnol. Oceanogr. 37:1307, Benson & Krause coefficients, through
    gsw (O2sol_SP_pt).

    Raises:
        ValueError: outside those ranges.
    """
    import gsw  # half a second to load: only who needs it pays

    in_range("S", S, 0.0, 42.0)
    in_range("t_degC", t_degC, 0.0, 40.0, "°C")
    return float(gsw.O2sol_SP_pt(S, t_degC))


def saturation_mg_L(S: float, t_degC: float, pressure_atm: float = 1.0) -> float:
    """Return the oxygen of water in equilibrium with moist air, in mg/l.

    Args:
        S: practical salinity, 0 to 42.
        t_degC: 0.01 to 40.
        pressure_atm: of the air where the water is (not reduced to sea level), 0.5 to 1.1.

    Source: `saturation_umol_kg` × density × 31.9988 g/mol; pressure by (p − pw) / (1 − pw).

    Raises:
        ValueError: outside those ranges.
    """
    in_range("pressure_atm", pressure_atm, 0.5, 1.1, "atm")
    at_one_atm = umol_kg_to_mg_L(saturation_umol_kg(S, t_degC), S, t_degC)
    if pressure_atm == 1.0:
        return at_one_atm
    vapour_atm = sea_vapour_pressure_pa(S, max(t_degC, 0.01)) / ATMOSPHERE_PA
    return at_one_atm * (pressure_atm - vapour_atm) / (1.0 - vapour_atm)


def percent_saturation(
    oxygen_mg_L: float, S: float, t_degC: float, pressure_atm: float = 1.0
) -> float:
    """Return the oxygen as per cent of what the water holds in equilibrium with air.

    Args:
        oxygen_mg_L: 0 to 60.
        S: practical salinity, 0 to 42.
        t_degC: 0 to 40.
        pressure_atm: 0.5 to 1.1.

    Source: `saturation_mg_L`.

    Raises:
        ValueError: outside those ranges.
    """
    _check_oxygen("oxygen_mg_L", oxygen_mg_L)
    return 100.0 * oxygen_mg_L / saturation_mg_L(S, t_degC, pressure_atm)


def umol_kg_to_mg_L(oxygen_umol_kg: float, S: float, t_degC: float) -> float:
    """Return µmol/kg of oxygen as mg/l.

    Args:
        oxygen_umol_kg: 0 to 2000.
        S: practical salinity, 0 to 42.
        t_degC: 0 to 40.

    Source: molar mass 31.9988 g/mol, density of TEOS-10.

    Raises:
        ValueError: outside those ranges.
    """
    in_range("oxygen_umol_kg", oxygen_umol_kg, 0.0, 2000.0, "µmol/kg")
    return oxygen_umol_kg * density_kg_m3(S, t_degC) * OXYGEN_G_MOL * 1e-6


def ml_L_to_mg_L(oxygen_ml_L: float) -> float:
    """Return ml/l of oxygen (gas at 0 °C and 1 atm) as mg/l.

    Args:
        oxygen_ml_L: 0 to 42.

    Source: 44.661 µmol/ml, Garcia & Gordon 1992.

    Raises:
        ValueError: outside that range.
    """
    in_range("oxygen_ml_L", oxygen_ml_L, 0.0, 42.0, "ml/l")
    return oxygen_ml_L * UMOL_PER_ML * OXYGEN_G_MOL * 1e-3


def transfer_per_h(kL_cm_h: float, area_m2: float, volume_m3: float) -> float:
    """Return how fast oxygen evens out through the surface, as a fraction per hour: kL A / V.

    Args:
        kL_cm_h: transfer velocity, 0 to 100 cm/h: still 0.3 to 1, gently stirred 1 to 4, strongly
            agitated 5 to 15 (orders of magnitude, common practice, no source).
        area_m2: open surface, above 0.
        volume_m3: above 0.

    Source: two-film model, water side.

    Raises:
        ValueError: outside those ranges.
    """
    in_range("kL_cm_h", kL_cm_h, 0.0, 100.0, "cm/h")
    above_zero("area_m2", area_m2, "m²")
    return kL_cm_h / 100.0 * area_m2 / above_zero("volume_m3", volume_m3, "m³")


def steady_oxygen_mg_L(
    saturation_mg_L: float, uptake_mg_L_h: float, transfer_per_h: float
) -> float:
    """Return the oxygen at which uptake and transfer from the air balance: Cs − r / k, in mg/l.

    Below 0: the air cannot keep up at all.

    Args:
        saturation_mg_L: 0 to 60.
        uptake_mg_L_h: of everything alive, 0 to 100 mg/l/h.
        transfer_per_h: above 0.

    Source: dC/dt = k (Cs − C) − r at rest.

    Raises:
        ValueError: outside those ranges.
    """
    _check_oxygen("saturation_mg_L", saturation_mg_L)
    in_range("uptake_mg_L_h", uptake_mg_L_h, 0.0, 100.0, "mg/l/h")
    return saturation_mg_L - uptake_mg_L_h / above_zero("transfer_per_h", transfer_per_h, "1/h")


def oxygen_after(
    hours: float,
    oxygen_mg_L: float,
    saturation_mg_L: float,
    uptake_mg_L_h: float,
    transfer_per_h: float = 0.0,
) -> float:
    """Return the oxygen after some hours of constant uptake, in mg/l; never below 0.

    Args:
        hours: at least 0.
        oxygen_mg_L: now, 0 to 60.
        saturation_mg_L: 0 to 60.
        uptake_mg_L_h: 0 to 100 mg/l/h.
        transfer_per_h: from `transfer_per_h`, at least 0.

    Source: dC/dt = k (Cs − C) − r, solved.

    Raises:
        ValueError: outside those ranges.
    """
    not_negative("hours", hours, "h")
    _check_balance(oxygen_mg_L, saturation_mg_L, uptake_mg_L_h, transfer_per_h)
    if transfer_per_h < _SEALED_PER_H:
        return max(0.0, oxygen_mg_L - uptake_mg_L_h * hours)
    gain = transfer_per_h * saturation_mg_L - uptake_mg_L_h
    left = -expm1(-transfer_per_h * hours) / transfer_per_h  # exact for the slowest transfer too
    return max(0.0, oxygen_mg_L * exp(-transfer_per_h * hours) + gain * left)


def hours_until_critical(
    oxygen_mg_L: float,
    critical_mg_L: float,
    saturation_mg_L: float,
    uptake_mg_L_h: float,
    transfer_per_h: float = 0.0,
) -> float:
    """Return the hours until oxygen falls to the critical value; infinite if it never does.

    With pumps stopped and the transfer of a still surface. A lower bound when the uptake is that
    of the worst night: it falls with the oxygen and the temperature.

    Args:
        oxygen_mg_L: now, 0 to 60.
        critical_mg_L: 0 to 60; 0 hours when oxygen is there already.
        saturation_mg_L: 0 to 60.
        uptake_mg_L_h: 0 to 100 mg/l/h.
        transfer_per_h: from `transfer_per_h`, at least 0.

    Source: inverse of `oxygen_after`.

    Raises:
        ValueError: outside those ranges.
    """
    _check_balance(oxygen_mg_L, saturation_mg_L, uptake_mg_L_h, transfer_per_h)
    _check_oxygen("critical_mg_L", critical_mg_L)
    if oxygen_mg_L <= critical_mg_L:
        return 0.0
    if transfer_per_h < _SEALED_PER_H:
        return (oxygen_mg_L - critical_mg_L) / uptake_mg_L_h if uptake_mg_L_h > 0.0 else inf
    loss_there = uptake_mg_L_h - transfer_per_h * (saturation_mg_L - critical_mg_L)
    if loss_there <= 0.0:
        return inf
    fall = oxygen_mg_L - critical_mg_L
    return log1p(transfer_per_h * fall / loss_there) / transfer_per_h


def uptake_from_decline(
    hours: Sequence[float],
    oxygen_mg_L: Sequence[float],
    saturation_mg_L: float,
    transfer_per_h: float = 0.0,
) -> float:
    """Return the uptake that a logged night shows, in mg/l/h.

    Args:
        hours: times of the samples, rising, lights off; at least 5.
        oxygen_mg_L: at those times, 0 to 60.
        saturation_mg_L: 0 to 60.
        transfer_per_h: of the aeration that was on, at least 0.

    Source: dC/dt = k (Cs − C) − r, integrated; least squares.

    Raises:
        ValueError: outside those ranges, or the log shows no uptake.
    """
    rising("hours", hours, at_least=5)
    if len(hours) != len(oxygen_mg_L):
        raise ValueError("hours and oxygen_mg_L differ in length")
    for value in oxygen_mg_L:
        _check_balance(value, saturation_mg_L, 0.0, transfer_per_h)
    gained = running_integral(hours, [saturation_mg_L - value for value in oxygen_mg_L])
    left = [value - transfer_per_h * gain for value, gain in zip(oxygen_mg_L, gained, strict=True)]
    uptake = -straight_line(hours, left).slope
    if uptake <= 0.0:
        raise ValueError(f"the log shows an uptake of {uptake:g} mg/l/h: was there light?")
    return uptake


def schmidt_number(gas: Literal["oxygen", "carbon-dioxide"], t_degC: float) -> float:
    """Return the Schmidt number of a gas in sea water of S 35.

    Args:
        gas: oxygen or carbon-dioxide.
        t_degC: −2 to 40.

    Source: Wanninkhof 2014, Limnol. Oceanogr. Methods 12:351, table 1 (coefficients from memory).

    Raises:
        ValueError: outside that range, or another gas.
    """
    if gas not in _SCHMIDT:
        raise ValueError(f"gas = {gas!r} is not one of {', '.join(sorted(_SCHMIDT))}")
    in_range("t_degC", t_degC, -2.0, 40.0, "°C")
    return sum(factor * t_degC**power for power, factor in enumerate(_SCHMIDT[gas]))


def wind_transfer_cm_h(wind_m_s: float, schmidt: float) -> float:
    """Return the transfer velocity of the open sea, in cm/h: 0.251 U² (Sc/660)^−0.5.

    Indoors it only tells how gases and temperatures compare: it is 0 without wind.

    Args:
        wind_m_s: at 10 m height, 0 to 15.
        schmidt: from `schmidt_number`, above 0.

    Source: Wanninkhof 2014, eq. 4.

    Raises:
        ValueError: outside those ranges.
    """
    in_range("wind_m_s", wind_m_s, 0.0, 15.0, "m/s")
    return float(0.251 * wind_m_s**2 * (above_zero("schmidt", schmidt) / 660.0) ** -0.5)


def _check_oxygen(name: str, value: float) -> None:
    in_range(name, value, 0.0, _MOST_MG_L, "mg/l")


def _check_balance(
    oxygen_mg_L: float, saturation_mg_L: float, uptake_mg_L_h: float, transfer_per_h: float
) -> None:
    _check_oxygen("oxygen_mg_L", oxygen_mg_L)
    _check_oxygen("saturation_mg_L", saturation_mg_L)
    in_range("uptake_mg_L_h", uptake_mg_L_h, 0.0, 100.0, "mg/l/h")
    not_negative("transfer_per_h", transfer_per_h, "1/h")
