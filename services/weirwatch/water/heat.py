"""Heat and evaporation: how fast the water cools or warms, and what the room takes from it.

Only `heat_capacity_j_k` and `latent_heat_kj_kg` call gsw: a simulator calls them once.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, log

from weirwatch.water.fits import running_integral, straight_line
from weirwatch.water.ranges import above_zero, finite, in_range, not_negative, rising

_S_MAX = 42.0  # practical salinity
_T_MAX = 40.0  # °C
_CRITICAL_K = 647.096
_CRITICAL_PA = 22.064e6
# Wagner & Pruss 1993, in powers of 1 − T/Tc
_FACTORS = (-7.85951783, 1.84408259, -11.7866497, 22.6807411, -15.9618719, 1.80122502)
_POWERS = (1.0, 1.5, 3.0, 3.5, 4.0, 7.5)


@dataclass(frozen=True, slots=True)
class LossFit:
    """Heat loss learnt from a logged cool-down.

    Attributes:
        ua_w_k: loss per kelvin between water and room, W/K.
        standard_error_w_k: of the regression, W/K; a draught or a lamp is not in it.
        residual_k: root mean square distance of the log from the fitted curve, K.
        points: samples used.
    """

    ua_w_k: float
    standard_error_w_k: float
    residual_k: float
    points: int


def heat_capacity_j_k(volume_m3: float, S: float, t_degC: float) -> float:
    """Return the heat that warms the water by one kelvin: ρ cp V, in J/K.

    Args:
        volume_m3: above 0.
        S: practical salinity (PSS-78), 0 to 42.
        t_degC: 0 to 40.

    Source: TEOS-10 through gsw (rho_t_exact, cp_t_exact at the surface).

    Raises:
        ValueError: outside those ranges.
    """
    import gsw  # half a second to load: only who needs it pays

    above_zero("volume_m3", volume_m3, "m³")
    _check_water(S, t_degC)
    absolute = gsw.SR_from_SP(S)
    density = gsw.rho_t_exact(absolute, t_degC, 0.0)
    return float(volume_m3 * density * gsw.cp_t_exact(absolute, t_degC, 0.0))


def time_constant_h(heat_capacity_j_k: float, ua_w_k: float) -> float:
    """Return the hours in which the distance to the room temperature falls to 37 %: C / UA.

    Args:
        heat_capacity_j_k: J/K, above 0.
        ua_w_k: heat loss, W/K, above 0.

    Source: Newton's law of cooling.

    Raises:
        ValueError: outside those ranges.
    """
    above_zero("heat_capacity_j_k", heat_capacity_j_k, "J/K")
    return heat_capacity_j_k / above_zero("ua_w_k", ua_w_k, "W/K") / 3600.0


def temperature_after(
    hours: float,
    t_start_degC: float,
    t_room_degC: float,
    time_constant_h: float,
    steady_rise_k: float = 0.0,
) -> float:
    """Return the water temperature after some hours, in °C.

    Args:
        hours: at least 0.
        t_start_degC: water now, −5 to 60.
        t_room_degC: room, −30 to 60, taken as constant.
        time_constant_h: from `time_constant_h`, above 0.
        steady_rise_k: what heat still flows in, over UA (`stuck_on_rise_k`); 0: none. −100 to 1000.

    Source: Newton's law of cooling, T∞ + (T0 − T∞) exp(−t/τ).

    Raises:
        ValueError: outside those ranges.
    """
    not_negative("hours", hours, "h")
    end = _end_temperature(t_start_degC, t_room_degC, time_constant_h, steady_rise_k)
    return end + (t_start_degC - end) * exp(-hours / time_constant_h)


def hours_until(
    t_target_degC: float,
    t_start_degC: float,
    t_room_degC: float,
    time_constant_h: float,
    steady_rise_k: float = 0.0,
) -> float:
    """Return the hours until the water reaches a temperature; infinite if it never does.

    Args:
        t_target_degC: −5 to 60.
        t_start_degC: water now, −5 to 60.
        t_room_degC: room, −30 to 60, taken as constant.
        time_constant_h: above 0.
        steady_rise_k: what heat still flows in, over UA; −100 to 1000.

    Source: inverse of `temperature_after`.

    Raises:
        ValueError: outside those ranges.
    """
    in_range("t_target_degC", t_target_degC, -5.0, 60.0, "°C")
    end = _end_temperature(t_start_degC, t_room_degC, time_constant_h, steady_rise_k)
    if t_target_degC == t_start_degC:
        return 0.0
    if not min(t_start_degC, end) < t_target_degC < max(t_start_degC, end):
        return inf
    return time_constant_h * log((t_start_degC - end) / (t_target_degC - end))


def heater_size_w(ua_w_k: float, rise_k: float, margin: float = 0.4) -> float:
    """Return the total heater power that holds the water so far above the room, in W.

    Split it over two or more heaters, so that one that sticks on cannot overheat the water: check
    with `stuck_on_rise_k`.

    Args:
        ua_w_k: heat loss, W/K, above 0.
        rise_k: set temperature minus the coldest room, at least 0.
        margin: reserve as a fraction, 0 to 2; 0.3 to 0.5 is common practice, no source.

    Source: steady heat balance.

    Raises:
        ValueError: outside those ranges.
    """
    above_zero("ua_w_k", ua_w_k, "W/K")
    not_negative("rise_k", rise_k, "K")
    in_range("margin", margin, 0.0, 2.0)
    return ua_w_k * rise_k * (1.0 + margin)


def stuck_on_rate_k_h(power_w: float, heat_capacity_j_k: float) -> float:
    """Return how fast a heater that never switches off warms the water, losses apart, in K/h.

    Args:
        power_w: W, at least 0.
        heat_capacity_j_k: J/K, above 0.

    Source: heat balance without losses, P / C.

    Raises:
        ValueError: outside those ranges.
    """
    not_negative("power_w", power_w, "W")
    return power_w * 3600.0 / above_zero("heat_capacity_j_k", heat_capacity_j_k, "J/K")


def stuck_on_rise_k(power_w: float, ua_w_k: float) -> float:
    """Return how far above the room a constant heat input ends up, in K.

    Args:
        power_w: W, at least 0: a stuck heater, pumps, lamps.
        ua_w_k: heat loss, W/K, above 0.

    Source: steady heat balance, P / UA.

    Raises:
        ValueError: outside those ranges.
    """
    return not_negative("power_w", power_w, "W") / above_zero("ua_w_k", ua_w_k, "W/K")


def saturation_pressure_pa(t_degC: float) -> float:
    """Return the pressure of water vapour in equilibrium with fresh water, in Pa.

    Args:
        t_degC: 0.01 to 100.

    Source: Wagner & Pruss 1993, J. Phys. Chem. Ref. Data 22:783 (IAPWS SR1-86).

    Raises:
        ValueError: outside that range.
    """
    in_range("t_degC", t_degC, 0.01, 100.0, "°C")
    kelvin = t_degC + 273.15
    tau = 1.0 - kelvin / _CRITICAL_K
    total = sum(factor * tau**power for factor, power in zip(_FACTORS, _POWERS, strict=True))
    return _CRITICAL_PA * exp(_CRITICAL_K / kelvin * total)


def sea_vapour_pressure_pa(S: float, t_degC: float) -> float:
    """Return the vapour pressure over sea water, in Pa: fresh water's × (1 − 0.000537 S).

    Args:
        S: practical salinity, 0 to 42.
        t_degC: 0.01 to 40.

    Source: salt factor from memory (1.9 % at S 35; agrees with Raoult's law).

    Raises:
        ValueError: outside those ranges.
    """
    in_range("S", S, 0.0, _S_MAX)
    in_range("t_degC", t_degC, 0.01, _T_MAX, "°C")
    return saturation_pressure_pa(t_degC) * (1.0 - 0.000537 * S)


def latent_heat_kj_kg(S: float, t_degC: float) -> float:
    """Return the heat that evaporating one kilogram of water takes, in kJ/kg.

    Args:
        S: practical salinity, 0 to 42.
        t_degC: 0 to 40.

    Source: TEOS-10 through gsw (latentheat_evap_t).

    Raises:
        ValueError: outside those ranges.
    """
    import gsw  # half a second to load: only who needs it pays

    _check_water(S, t_degC)
    return float(gsw.latentheat_evap_t(gsw.SR_from_SP(S), t_degC)) / 1000.0


def evaporation_kg_day(
    area_m2: float,
    t_water_degC: float,
    t_air_degC: float,
    humidity_percent: float,
    air_speed_m_s: float = 0.1,
    S: float = 35.0,
    activity: float = 1.0,
    latent_kj_kg: float | None = None,
) -> float:
    """Return the water that evaporates from an open surface, in kg per day.

    A first estimate, within a factor of two: calibrate `activity` with the measured top-off. 0 when
    the air is so moist that water would condense, which the equation does not describe.

    Args:
        area_m2: open surface, at least 0.
        t_water_degC: 0.01 to 40.
        t_air_degC: 0.01 to 50.
        humidity_percent: relative humidity of the room, 0 to 100.
        air_speed_m_s: over the surface, 0 to 2.
        S: practical salinity, 0 to 42.
        activity: 1.0 public pool, 0.5 undisturbed; 0.2 to 2.
        latent_kj_kg: from `latent_heat_kj_kg`, to spare the call; 2300 to 2600.

    Source: ASHRAE Handbook HVAC Applications, natatoriums: A (pw − pa)(0.089 + 0.0782 v)/Y kg/s
    with kPa and kJ/kg (coefficients from memory).

    Raises:
        ValueError: outside those ranges.
    """
    not_negative("area_m2", area_m2, "m²")
    in_range("t_water_degC", t_water_degC, 0.01, _T_MAX, "°C")
    in_range("t_air_degC", t_air_degC, 0.01, 50.0, "°C")
    in_range("humidity_percent", humidity_percent, 0.0, 100.0, "%")
    in_range("air_speed_m_s", air_speed_m_s, 0.0, 2.0, "m/s")
    in_range("activity", activity, 0.2, 2.0)
    surface_pa = sea_vapour_pressure_pa(S, t_water_degC)
    if latent_kj_kg is None:
        latent_kj_kg = latent_heat_kj_kg(S, t_water_degC)
    in_range("latent_kj_kg", latent_kj_kg, 2300.0, 2600.0, "kJ/kg")
    air_pa = saturation_pressure_pa(t_air_degC) * humidity_percent / 100.0
    drive_kpa = max(0.0, surface_pa - air_pa) / 1000.0
    kg_s = activity * area_m2 * drive_kpa * (0.089 + 0.0782 * air_speed_m_s) / latent_kj_kg
    return kg_s * 86_400.0


def evaporative_cooling_w(evaporation_kg_day: float, latent_kj_kg: float) -> float:
    """Return the heat that evaporation takes from the water, in W.

    Args:
        evaporation_kg_day: kg per day, at least 0.
        latent_kj_kg: from `latent_heat_kj_kg`, 2300 to 2600.

    Source: w L; 1 kg per day is 28.2 W.

    Raises:
        ValueError: outside those ranges.
    """
    not_negative("evaporation_kg_day", evaporation_kg_day, "kg/day")
    in_range("latent_kj_kg", latent_kj_kg, 2300.0, 2600.0, "kJ/kg")
    return evaporation_kg_day * latent_kj_kg * 1000.0 / 86_400.0


def loss_from_heater_duty(
    power_w: float,
    duty: float,
    t_water_degC: float,
    t_room_degC: float,
    other_heat_w: float = 0.0,
) -> float:
    """Return the heat loss UA that a steady temperature and the heaters' on-time show, in W/K.

    Args:
        power_w: of all heaters together, above 0.
        duty: fraction of the time they are on, 0 to 1, over whole days.
        t_water_degC: mean over that time; at least 1 K above the room.
        t_room_degC: mean over that time.
        other_heat_w: heat of pumps and lamps that ends in the water, at least 0.

    Source: steady heat balance, UA = (P duty + other) / (Tw − Ta).

    Raises:
        ValueError: outside those ranges, or no heat at all.
    """
    above_zero("power_w", power_w, "W")
    in_range("duty", duty, 0.0, 1.0)
    not_negative("other_heat_w", other_heat_w, "W")
    rise = finite("t_water_degC", t_water_degC, "°C") - finite("t_room_degC", t_room_degC, "°C")
    in_range("t_water_degC − t_room_degC", rise, 1.0, 60.0, "K")
    return above_zero("power_w × duty + other_heat_w", power_w * duty + other_heat_w, "W") / rise


def loss_from_cool_down(
    hours: Sequence[float],
    t_water_degC: Sequence[float],
    t_room_degC: Sequence[float],
    heat_capacity_j_k: float,
    heat_in_w: float = 0.0,
) -> LossFit:
    """Return the heat loss UA that a logged cool-down shows.

    Regression of the heat that the water has lost on the time integral of its distance to the room,
    so that a room that changes meanwhile does no harm and a noisy probe little.

    Args:
        hours: times of the samples, rising; at least 5.
        t_water_degC: mixed water temperature at those times, −5 to 60.
        t_room_degC: room temperature at those times, −30 to 60.
        heat_capacity_j_k: J/K, above 0.
        heat_in_w: heat that still flowed in meanwhile (pumps), at least 0.

    Source: Newton's law of cooling, integrated; ordinary least squares.

    Raises:
        ValueError: outside those ranges; water and room too close to learn from (mean distance
            under 1 K); or no loss at all (something heated the water).
    """
    above_zero("heat_capacity_j_k", heat_capacity_j_k, "J/K")
    not_negative("heat_in_w", heat_in_w, "W")
    _check_log(hours, t_water_degC, t_room_degC)
    start, capacity_wh_k = hours[0], heat_capacity_j_k / 3600.0
    lost_wh = [
        heat_in_w * (hour - start) - capacity_wh_k * (t - t_water_degC[0])
        for hour, t in zip(hours, t_water_degC, strict=True)
    ]
    distance = [water - room for water, room in zip(t_water_degC, t_room_degC, strict=True)]
    kelvin_hours = running_integral(hours, distance)
    span = hours[-1] - start
    if abs(kelvin_hours[-1]) < span:
        mean_k = kelvin_hours[-1] / span
        raise ValueError(f"mean t_water_degC − t_room_degC = {mean_k:g} K must be at least 1 K")
    line = straight_line(kelvin_hours, lost_wh)
    if line.slope <= 0.0:
        raise ValueError(f"the log shows a loss of {line.slope:g} W/K: something heated the water")
    return LossFit(line.slope, line.slope_error, line.residual / capacity_wh_k, len(hours))


def _check_water(S: float, t_degC: float) -> None:
    in_range("S", S, 0.0, _S_MAX)
    in_range("t_degC", t_degC, 0.0, _T_MAX, "°C")


def _end_temperature(
    t_start_degC: float, t_room_degC: float, time_constant_h: float, steady_rise_k: float
) -> float:
    in_range("t_start_degC", t_start_degC, -5.0, 60.0, "°C")
    in_range("t_room_degC", t_room_degC, -30.0, 60.0, "°C")
    above_zero("time_constant_h", time_constant_h, "h")
    return t_room_degC + in_range("steady_rise_k", steady_rise_k, -100.0, 1000.0, "K")


def _check_log(
    hours: Sequence[float], t_water_degC: Sequence[float], t_room_degC: Sequence[float]
) -> None:
    if not len(hours) == len(t_water_degC) == len(t_room_degC):
        raise ValueError("hours, t_water_degC and t_room_degC differ in length")
    rising("hours", hours, at_least=5)
    for water, room in zip(t_water_degC, t_room_degC, strict=True):
        in_range("t_water_degC", water, -5.0, 60.0, "°C")
        in_range("t_room_degC", room, -30.0, 60.0, "°C")
