"""Reference libraries and formulas that the water tests set beside the production code."""

import importlib
import math
import warnings
from types import ModuleType


def seawater() -> ModuleType:
    """EOS-80 and PSS-78, a library of its own; it warns on import that gsw succeeds it."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return importlib.import_module("seawater")


def t68(t90: float) -> float:
    """IPTS-68 of ITS-90, °C (Saunders 1990)."""
    return t90 * 1.00024


def t90(t68: float) -> float:
    return t68 / 1.00024


def benson_krause_mg_l(salinity: float, t_degc: float) -> float:
    """Benson & Krause 1984 as in APHA 4500-O, for S and t of 0 to 40."""
    k = t_degc + 273.15
    fresh = -139.34411 + 1.575701e5 / k - 6.642308e7 / k**2 + 1.243800e10 / k**3
    fresh -= 8.621949e11 / k**4
    return math.exp(fresh - salinity * (1.7674e-2 - 10.754 / k + 2140.7 / k**2))


def garcia_gordon_ml_l(salinity: float, t68_degc: float) -> float:
    """Garcia & Gordon 1992, combined fit, ml/l (coefficients from memory)."""
    ts = math.log((298.15 - t68_degc) / (273.15 + t68_degc))
    a = (2.00907, 3.22014, 4.05010, 4.94457, -0.256847, 3.88767)
    b = (-6.24523e-3, -7.37614e-3, -1.03410e-2, -8.17083e-3)
    total = sum(factor * ts**power for power, factor in enumerate(a))
    total += salinity * sum(factor * ts**power for power, factor in enumerate(b))
    return math.exp(total - 4.88682e-7 * salinity**2)


def johansson_wedborg_pk(salinity: float, t_degc: float) -> float:
    """Ammonium's pK as Bell et al. 2008 recommend it: close to the free scale (from memory)."""
    return 10.0423 - 0.0315536 * t_degc + 0.003071 * salinity


def ambaum_pressure_pa(t_degc: float) -> float:
    """Saturation vapour pressure of Ambaum 2020, with the constants of MetPy 1.7."""
    k, k0 = t_degc + 273.15, 273.16
    cp_difference, gas, latent0 = 4219.4 - 1860.078, 461.5233, 2.50084e6
    latent = latent0 - cp_difference * (k - k0)
    shape = math.exp((latent0 / k0 - latent / k) / gas)
    return 611.2 * math.pow(k0 / k, cp_difference / gas) * shape


def clapeyron_latent_kj_kg(t_degc: float) -> float:
    """Latent heat of fresh water, T (v″ − v′) dp/dT, from IAPWS SR1-86 (Wagner & Pruss 1993)."""
    k, k_c, p_c, rho_c = t_degc + 273.15, 647.096, 22.064e6, 322.0
    a = (-7.85951783, 1.84408259, -11.7866497, 22.6807411, -15.9618719, 1.80122502)
    a_powers = (1.0, 1.5, 3.0, 3.5, 4.0, 7.5)
    b = (1.99274064, 1.09965342, -0.510839303, -1.75493479, -45.5170352, -6.74694450e5)
    b_powers = (1 / 3, 2 / 3, 5 / 3, 16 / 3, 43 / 3, 110 / 3)
    c = (-2.03150240, -2.68302940, -5.38626492, -17.2991605, -44.7586581, -63.9201063)
    c_powers = (1 / 3, 2 / 3, 4 / 3, 3.0, 37 / 6, 71 / 6)
    tau = 1 - k / k_c
    terms = [x * math.pow(tau, n) for x, n in zip(a, a_powers, strict=True)]
    ln_p = k_c / k * sum(terms)
    rise = sum(n * term / tau for n, term in zip(a_powers, terms, strict=True))
    dp_dt = -(math.exp(ln_p) * p_c / k) * (ln_p + rise)
    liquid = 1 + sum(x * math.pow(tau, n) for x, n in zip(b, b_powers, strict=True))
    vapour = math.exp(sum(x * math.pow(tau, n) for x, n in zip(c, c_powers, strict=True)))
    return k * (1 / vapour - 1 / liquid) / rho_c * dp_dt / 1000


def hazen_williams_m(flow_m3_s: float, diameter_m: float, length_m: float, c: float) -> float:
    """Head loss of water of 5 to 25 °C in a pipe; C = 150 for smooth plastic."""
    flow, size = math.pow(flow_m3_s, 1.852), math.pow(diameter_m, 4.8704)
    return 10.67 * length_m * flow / (math.pow(c, 1.852) * size)
