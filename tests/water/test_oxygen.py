import math
from typing import Any

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from support.references import benson_krause_mg_l, garcia_gordon_ml_l, seawater, t68

from weirwatch.water.oxygen import (
    hours_until_critical,
    ml_L_to_mg_L,
    oxygen_after,
    percent_saturation,
    saturation_mg_L,
    saturation_umol_kg,
    schmidt_number,
    steady_oxygen_mg_L,
    transfer_per_h,
    umol_kg_to_mg_L,
    uptake_from_decline,
    wind_transfer_cm_h,
)

EOS80 = seawater()
salt = st.floats(0, 40)
warm = st.floats(0.1, 40)
content = st.floats(3, 8)
uptake = st.floats(0.05, 2)
transfer = st.floats(0.001, 0.5)


@given(salt, warm)
def test_saturation_agrees_with_benson_and_krause(salinity: float, t: float) -> None:
    expected = benson_krause_mg_l(salinity, t)
    assert saturation_mg_L(salinity, t) == pytest.approx(expected, rel=0.002)


@given(salt, warm)
def test_saturation_agrees_with_the_other_fit_of_garcia_and_gordon(s: float, t: float) -> None:
    expected = ml_L_to_mg_L(garcia_gordon_ml_l(s, t68(t)))
    assert saturation_mg_L(s, t) == pytest.approx(expected, rel=0.003)


@given(st.floats(20, 40), st.floats(10, 35))
def test_saturation_agrees_with_weiss(salinity: float, t: float) -> None:
    expected = ml_L_to_mg_L(float(EOS80.satO2(salinity, t)))
    assert saturation_mg_L(salinity, t) == pytest.approx(expected, rel=0.005)


@given(st.floats(0, 41), st.floats(0.1, 39), st.floats(0.01, 1))
def test_warm_salty_or_thin_air_means_less_oxygen(s: float, t: float, more: float) -> None:
    assert saturation_mg_L(s, t + more) < saturation_mg_L(s, t)
    assert saturation_mg_L(s + more, t) < saturation_mg_L(s, t)
    assert saturation_mg_L(s, t, 0.99) < saturation_mg_L(s, t, 1.0) < saturation_mg_L(s, t, 1.01)


def test_pressure_counts_without_the_water_vapour() -> None:
    # Fresh water at 26 °C, 0.8 atm: (0.8 − 0.0332) / (1 − 0.0332) = 0.7931.
    ratio = saturation_mg_L(0, 26, 0.8) / saturation_mg_L(0, 26)
    assert ratio == pytest.approx(0.7931, abs=0.0002)


@given(salt, warm, st.floats(0.6, 1.1))
def test_saturated_water_is_at_a_hundred_per_cent(s: float, t: float, p: float) -> None:
    assert percent_saturation(saturation_mg_L(s, t, p), s, t, p) == pytest.approx(100)


def test_units_agree_with_each_other() -> None:
    assert umol_kg_to_mg_L(saturation_umol_kg(35, 25), 35, 25) == saturation_mg_L(35, 25)
    assert ml_L_to_mg_L(1.0) == pytest.approx(1.42905, abs=1e-4)  # density of the gas, g/l


@given(content, uptake, transfer, st.floats(0, 20))
def test_decline_is_what_a_solver_of_differential_equations_finds(
    now: float, rate: float, k: float, hours: float
) -> None:
    cs = 6.65
    found = solve_ivp(lambda _, c: k * (cs - c) - rate, (0, hours), [now], rtol=1e-9, atol=1e-9).y[
        0, -1
    ]
    assert oxygen_after(hours, now, cs, rate, k) == pytest.approx(max(0.0, found), abs=1e-5)


@given(content, st.floats(0.1, 2.9), uptake, st.one_of(st.just(0.0), transfer))
def test_hours_until_critical_inverts_the_decline(
    now: float, critical: float, rate: float, k: float
) -> None:
    hours = hours_until_critical(now, critical, 6.65, rate, k)
    assume(math.isfinite(hours))
    assert oxygen_after(hours, now, 6.65, rate, k) == pytest.approx(critical, abs=1e-6)


@given(content, st.floats(0.1, 2.9), uptake, transfer)
def test_more_uptake_is_sooner_and_more_air_later(
    now: float, critical: float, rate: float, k: float
) -> None:
    hours = hours_until_critical(now, critical, 6.65, rate, k)
    assert hours_until_critical(now, critical, 6.65, rate * 1.1, k) <= hours
    assert hours_until_critical(now, critical, 6.65, rate, k * 1.1) >= hours
    assert hours_until_critical(now, critical, 6.65, rate) <= hours  # no air is the lower bound


def test_it_never_comes_where_the_air_keeps_up_and_is_here_when_it_is_here() -> None:
    assert steady_oxygen_mg_L(6.65, 0.03, 0.02) > 4
    assert hours_until_critical(6.5, 4.0, 6.65, 0.03, 0.02) == math.inf
    assert hours_until_critical(6.5, 4.0, 6.65, 0.0) == math.inf
    assert hours_until_critical(3.9, 4.0, 6.65, 0.8) == 0.0


@given(uptake, st.floats(0, 0.3))
@example(1.0, 5e-324)  # the slowest transfer must not lose the digits
@example(1.0, 1e-11)
def test_uptake_is_learnt_from_a_night(rate: float, k: float) -> None:
    hours = [0.25 * i for i in range(25)]
    night = [oxygen_after(h, 60.0, 60.0, rate, k) for h in hours]
    assert uptake_from_decline(hours, night, 60.0, k) == pytest.approx(rate, rel=1e-3)


def test_a_log_that_rises_shows_no_uptake() -> None:
    with pytest.raises(ValueError, match="was there light"):
        uptake_from_decline([0, 1, 2, 3, 4], [5.0, 5.1, 5.2, 5.3, 5.4], 6.65)
    with pytest.raises(ValueError, match="differ in length"):
        uptake_from_decline([0, 1, 2, 3, 4], [5.0, 4.9, 4.8, 4.7], 6.65)


def test_unknown_gas_is_refused() -> None:
    gas: Any = "neon"
    with pytest.raises(ValueError, match="'neon' is not one of carbon-dioxide, oxygen"):
        schmidt_number(gas, 25)


def test_transfer_is_velocity_times_area_over_volume() -> None:
    assert transfer_per_h(2.0, 2.0, 3.0) == pytest.approx(0.02 * 2 / 3)


@given(st.floats(0, 39), st.floats(0.1, 1), st.floats(0.5, 15))
def test_gas_moves_faster_in_warm_water_and_wind(t: float, more: float, wind: float) -> None:
    cold, warmer = schmidt_number("oxygen", t), schmidt_number("oxygen", t + more)
    assert warmer < cold
    assert wind_transfer_cm_h(wind, warmer) > wind_transfer_cm_h(wind, cold)
    assert wind_transfer_cm_h(2 * min(wind, 7.5), cold) == pytest.approx(
        4 * wind_transfer_cm_h(min(wind, 7.5), cold)
    )


@pytest.mark.parametrize(
    ("call", "argument"),
    [
        (lambda: saturation_umol_kg(42.1, 25), "S"),
        (lambda: saturation_umol_kg(35, 40.1), "t_degC"),
        (lambda: saturation_mg_L(35, 25, 0.49), "pressure_atm"),
        (lambda: percent_saturation(60.1, 35, 25), "oxygen_mg_L"),
        (lambda: schmidt_number("oxygen", 40.1), "t_degC"),
        (lambda: hours_until_critical(6.5, -0.1, 6.65, 0.8), "critical_mg_L"),
        (lambda: transfer_per_h(100.1, 1, 1), "kL_cm_h"),
    ],
)
def test_outside_the_range_is_refused(call: object, argument: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=rf"^{argument} = .* is outside "):
        call()
