"""Salt: conductivity, practical salinity, density, specific gravity, refractive index.

Practical salinity (PSS-78) has no unit. Temperatures are ITS-90, at the surface (gauge pressure 0).
"""

from weirwatch.water.ranges import in_range

S_LOWEST, S_HIGHEST = 2.0, 42.0  # PSS-78
_PSS_T = (-2.0, 35.0)  # °C, PSS-78
_TEOS_T = (-2.0, 40.0)  # °C, TEOS-10 at the surface
_SODIUM_D_NM = 589.3


def practical_salinity(conductivity_mS_cm: float, t_degC: float) -> float:
    """Return the practical salinity of water of this conductivity at its own temperature.

    A meter that reports values compensated to 25 °C needs `salinity_from_conductivity_25`.

    Args:
        conductivity_mS_cm: not compensated, above 0 to 100; the salinity must come out 2 to 42.
        t_degC: of the water at the cell, −2 to 35.

    Source: PSS-78 (UNESCO Technical Papers in Marine Science 44) through gsw.

    Raises:
        ValueError: outside those ranges; a dry or fouled cell reads below S 2.
    """
    import gsw  # half a second to load: only who needs it pays

    in_range("conductivity_mS_cm", conductivity_mS_cm, 0.0, 100.0, "mS/cm")
    in_range("t_degC", t_degC, *_PSS_T, "°C")
    S = float(gsw.SP_from_C(conductivity_mS_cm, t_degC, 0.0))
    return in_range(f"S of {conductivity_mS_cm:g} mS/cm at {t_degC:g} °C", S, S_LOWEST, S_HIGHEST)


def conductivity_mS_cm(S: float, t_degC: float) -> float:
    """Return the conductivity of water at its own temperature, in mS/cm.

    Args:
        S: practical salinity, 2 to 42.
        t_degC: −2 to 35.

    Source: PSS-78 inverted, through gsw.

    Raises:
        ValueError: outside those ranges.
    """
    import gsw  # half a second to load: only who needs it pays

    in_range("S", S, S_LOWEST, S_HIGHEST)
    in_range("t_degC", t_degC, *_PSS_T, "°C")
    return float(gsw.C_from_SP(S, t_degC, 0.0))


def conductivity_25(S: float) -> float:
    """Return the conductivity at 25 °C, in mS/cm: what a compensating meter should show.

    Args:
        S: practical salinity, 2 to 42.

    Source: PSS-78 inverted, through gsw.

    Raises:
        ValueError: outside that range.
    """
    return conductivity_mS_cm(S, 25.0)


def salinity_from_conductivity_25(c25_mS_cm: float) -> float:
    """Return the practical salinity of a conductivity that was compensated to 25 °C.

    The water's own temperature has no place here: the meter has used it up. If the meter
    compensates linearly, go through `undo_linear_compensation` and `practical_salinity`.

    Args:
        c25_mS_cm: above 0 to 100; the salinity must come out 2 to 42.

    Source: PSS-78 through gsw.

    Raises:
        ValueError: outside those ranges.
    """
    in_range("c25_mS_cm", c25_mS_cm, 0.0, 100.0, "mS/cm")
    return practical_salinity(c25_mS_cm, 25.0)


def undo_linear_compensation(c25_mS_cm: float, t_degC: float, a_per_K: float) -> float:
    """Return what a meter saw before it compensated to 25 °C: C25 (1 + a (t − 25)), in mS/cm.

    Args:
        c25_mS_cm: as the meter shows it, 0 to 100.
        t_degC: as the meter measured it, −2 to 35.
        a_per_K: the meter's own coefficient, 0 to 0.03; often 0.019 to 0.021 (from memory).

    Source: definition of linear compensation (ISO 7888).

    Raises:
        ValueError: outside those ranges.
    """
    in_range("c25_mS_cm", c25_mS_cm, 0.0, 100.0, "mS/cm")
    in_range("t_degC", t_degC, *_PSS_T, "°C")
    in_range("a_per_K", a_per_K, 0.0, 0.03, "1/K")
    return c25_mS_cm * (1.0 + a_per_K * (t_degC - 25.0))


def density_kg_m3(S: float, t_degC: float) -> float:
    """Return the density, in kg/m³.

    Args:
        S: practical salinity, 0 (fresh water) to 42; reference composition.
        t_degC: −2 to 40; fresh water 0 to 40.

    Source: TEOS-10 through gsw (rho_t_exact of SR_from_SP).

    Raises:
        ValueError: outside those ranges.
    """
    import gsw  # half a second to load: only who needs it pays

    in_range("S", S, 0.0, S_HIGHEST)
    low, high = _TEOS_T
    in_range("t_degC", t_degC, 0.0 if S < S_LOWEST else low, high, "°C")
    return float(gsw.rho_t_exact(gsw.SR_from_SP(S), t_degC, 0.0))


def specific_gravity(S: float, t_degC: float, t_ref_degC: float) -> float:
    """Return the specific gravity t/t_ref: density at t over that of fresh water at t_ref.

    The same water differs by 0.0035 between the pairs in use (15.56/15.56, 20/20, 25/25, t/4 °C),
    as much as 4.6 units of salinity: never store one without its pair.

    Args:
        S: practical salinity, 0 to 42.
        t_degC: of the water, −2 to 40.
        t_ref_degC: of the fresh water, 0 to 40.

    Source: TEOS-10 through gsw.

    Raises:
        ValueError: outside those ranges.
    """
    in_range("t_ref_degC", t_ref_degC, 0.0, _TEOS_T[1], "°C")
    return density_kg_m3(S, t_degC) / density_kg_m3(0.0, t_ref_degC)


def salinity_from_specific_gravity(sg: float, t_degC: float, t_ref_degC: float) -> float:
    """Return the practical salinity of water of this specific gravity.

    Args:
        sg: specific gravity of the pair t/t_ref; the salinity must come out 0 to 42.
        t_degC: of the water, 0 to 40.
        t_ref_degC: of the fresh water, 0 to 40.

    Source: inverse of `specific_gravity`, by secants to 1e-10.

    Raises:
        ValueError: outside those ranges.
    """
    in_range("t_degC", t_degC, 0.0, _TEOS_T[1], "°C")
    in_range("t_ref_degC", t_ref_degC, 0.0, _TEOS_T[1], "°C")
    low, high = 0.0, S_HIGHEST
    sg_low = specific_gravity(low, t_degC, t_ref_degC)
    sg_high = specific_gravity(high, t_degC, t_ref_degC)
    in_range("sg", sg, sg_low, sg_high)
    target = sg * density_kg_m3(0.0, t_ref_degC)
    slope = (density_kg_m3(high, t_degC) - density_kg_m3(low, t_degC)) / (high - low)
    S = (sg - sg_low) / (sg_high - sg_low) * high
    for _ in range(30):  # density is so nearly linear that each round wins two digits
        step = (target - density_kg_m3(S, t_degC)) / slope
        S = min(high, max(low, S + step))
        if abs(step) < 1e-10:
            break
    return S


def refractive_index(S: float, t_degC: float, wavelength_nm: float = _SODIUM_D_NM) -> float:
    """Return the refractive index against air.

    A refractometer scale drawn for plain brine (NaCl) reads sea water of S 35 one and a half to two
    units high (from memory): calibrate at S 35, not with fresh water.

    Args:
        S: practical salinity, 0 to 35.
        t_degC: 0 to 30.
        wavelength_nm: 400 to 700; the sodium D line by default.

    Source: Quan & Fry 1995, Appl. Opt. 34:3477, with its own range.

    Raises:
        ValueError: outside those ranges.
    """
    in_range("S", S, 0.0, 35.0)
    in_range("t_degC", t_degC, 0.0, 30.0, "°C")
    in_range("wavelength_nm", wavelength_nm, 400.0, 700.0, "nm")
    salt = (1.779e-4 + (-1.05e-6 + 1.6e-8 * t_degC) * t_degC) * S
    by_wavelength = (15.868 + 0.01155 * S - 0.00423 * t_degC) / wavelength_nm
    fresh = 1.31405 - 2.02e-6 * t_degC**2 - 4382.0 / wavelength_nm**2
    return fresh + 1.1455e6 / wavelength_nm**3 + by_wavelength + salt
