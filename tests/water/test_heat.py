import math
import random

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from support.references import ambaum_pressure_pa, clapeyron_latent_kj_kg, seawater

from weirwatch.water.heat import (
    evaporation_kg_day,
    evaporative_cooling_w,
    heat_capacity_j_k,
    heater_size_w,
    hours_until,
    latent_heat_kj_kg,
    loss_from_cool_down,
    loss_from_heater_duty,
    saturation_pressure_pa,
    sea_vapour_pressure_pa,
    stuck_on_rate_k_h,
    stuck_on_rise_k,
    temperature_after,
    time_constant_h,
)

EOS80 = seawater()
CAPACITY = heat_capacity_j_k(3.0, 35.0, 25.0)
water = st.floats(15, 32)
room = st.floats(5, 35)
tau = st.floats(5, 200)
rise = st.floats(0, 20)


@given(st.floats(2, 42), st.floats(5, 35))
def test_heat_capacity_agrees_with_the_older_equation_of_state(s: float, t: float) -> None:
    expected = float(EOS80.dens0(s, t) * EOS80.cp(s, t, 0))
    assert heat_capacity_j_k(1.0, s, t) == pytest.approx(expected, rel=0.002)


@given(water, room, tau, rise, st.floats(0, 100))
def test_temperature_is_what_a_solver_of_differential_equations_finds(
    start: float, air: float, tau_h: float, rise_k: float, hours: float
) -> None:
    found = solve_ivp(
        lambda _, t: (air + rise_k - t) / tau_h, (0, hours), [start], rtol=1e-9, atol=1e-9
    ).y[0, -1]
    assert temperature_after(hours, start, air, tau_h, rise_k) == pytest.approx(found, abs=1e-5)


@given(water, water, room, tau, rise)
def test_hours_until_inverts_the_temperature(
    target: float, start: float, air: float, tau_h: float, rise_k: float
) -> None:
    hours = hours_until(target, start, air, tau_h, rise_k)
    end = air + rise_k
    between = min(start, end) < target < max(start, end)
    assert math.isfinite(hours) == (between or target == start)
    assume(math.isfinite(hours))
    assume(abs(target - end) > 1e-6)
    found = temperature_after(hours, start, air, tau_h, rise_k)
    assert found == pytest.approx(target, abs=1e-6)


def test_water_never_gets_where_it_does_not_go() -> None:
    assert hours_until(27, 26, 18, 57) == math.inf  # warmer than now, with no heat
    assert hours_until(18, 26, 18, 57) == math.inf  # the room's own temperature
    assert hours_until(17, 26, 18, 57) == math.inf  # colder than the room
    assert hours_until(20, 18, 18, 57) == math.inf  # at rest already
    assert hours_until(26, 26, 18, 57) == 0.0
    assert 0 < hours_until(27, 26, 18, 57, steady_rise_k=10) < math.inf  # a stuck heater


@given(water, room, tau, st.floats(0, 50), st.floats(0.1, 50))
def test_water_moves_towards_the_room_and_never_past_it(
    start: float, air: float, tau_h: float, hours: float, more: float
) -> None:
    now = temperature_after(hours, start, air, tau_h)
    later = temperature_after(hours + more, start, air, tau_h)
    assert abs(later - air) <= abs(now - air)
    assert (now - air) * (start - air) >= 0


def test_sizes_and_stuck_heaters() -> None:
    assert heater_size_w(60, 8, margin=0) == 480
    assert stuck_on_rate_k_h(1200, CAPACITY) == pytest.approx(2 * stuck_on_rate_k_h(600, CAPACITY))
    # A heater stuck on for one time constant is at 63 % of its final rise.
    tau_h = time_constant_h(CAPACITY, 60)
    after = temperature_after(tau_h, 20, 20, tau_h, stuck_on_rise_k(600, 60))
    assert after == pytest.approx(20 + 10 * (1 - math.exp(-1)))


# Saturated steam tables (IAPWS), from memory.
@pytest.mark.parametrize(
    ("t", "pascal"), [(0.01, 611.66), (10, 1228.2), (30, 4246.9), (40, 7384.9), (100, 101_418)]
)
def test_vapour_pressure_of_the_steam_tables(t: float, pascal: float) -> None:
    assert saturation_pressure_pa(t) == pytest.approx(pascal, rel=1e-4)


@given(st.floats(0.01, 40))
def test_vapour_pressure_agrees_with_a_meteorologists_equation(t: float) -> None:
    assert saturation_pressure_pa(t) == pytest.approx(ambaum_pressure_pa(t), rel=0.005)


@given(st.floats(0.01, 39), st.floats(0.05, 1), st.floats(0, 42))
def test_vapour_pressure_rises_with_warmth_and_falls_with_salt(
    t: float, more: float, s: float
) -> None:
    assert saturation_pressure_pa(t + more) > saturation_pressure_pa(t)
    assert sea_vapour_pressure_pa(s, t) <= saturation_pressure_pa(t)
    assert sea_vapour_pressure_pa(35, t) == pytest.approx(
        0.981 * saturation_pressure_pa(t), rel=1e-3
    )


@given(st.floats(0.01, 40))
def test_latent_heat_agrees_with_clapeyrons_equation(t: float) -> None:
    # TEOS-10 for sea water of S 0 lies 0.06 to 0.15 % below the steam tables.
    assert latent_heat_kj_kg(0, t) == pytest.approx(clapeyron_latent_kj_kg(t), rel=0.0015)


def test_latent_heat_of_fresh_water_agrees_with_coolprop() -> None:
    # CoolProp 8.0.0 (IAPWS-95): 2441.676 kJ/kg at 25 °C. TEOS-10 is for sea water: 0.11 % lower.
    assert latent_heat_kj_kg(0, 25) == pytest.approx(2441.676, rel=0.0015)


@given(st.floats(20, 30), st.floats(15, 30), st.floats(0, 95), st.floats(0, 1))
def test_evaporation_falls_with_humidity_and_rises_with_wind_and_warmth(
    t: float, air: float, humidity: float, wind: float
) -> None:
    def evaporated(t: float = t, humidity: float = humidity, wind: float = wind) -> float:
        return evaporation_kg_day(2.0, t, air, humidity, wind, latent_kj_kg=2437.0)

    now = evaporated()
    assert now >= 0
    assert evaporated(humidity=humidity + 5) <= now
    assert evaporated(wind=wind + 0.1) >= now
    assert evaporated(t=t + 1) >= now


def test_no_evaporation_when_water_would_condense() -> None:
    assert evaporation_kg_day(2.0, 18.0, 30.0, 95.0) == 0.0


def test_given_latent_heat_is_the_computed_one() -> None:
    given_it = evaporation_kg_day(4, 26, 24, 50, latent_kj_kg=latent_heat_kj_kg(35, 26))
    assert given_it == evaporation_kg_day(4, 26, 24, 50)


def test_a_kilogram_a_day_cools_28_watts() -> None:
    assert evaporative_cooling_w(1, latent_heat_kj_kg(35, 26)) == pytest.approx(28.2, abs=0.05)


FIVE = [26.0] * 5
HOURS = [0.25 * i for i in range(49)]


@given(st.floats(20, 200), st.floats(0, 150))
def test_loss_is_learnt_from_a_clean_cool_down(ua: float, pumps: float) -> None:
    tau_h = time_constant_h(CAPACITY, ua)
    log = [temperature_after(h, 26, 16, tau_h, stuck_on_rise_k(pumps, ua)) for h in HOURS]
    assume(log[0] - log[-1] > 0.05)
    fit = loss_from_cool_down(HOURS, log, [16.0] * len(HOURS), CAPACITY, pumps)
    assert fit.ua_w_k == pytest.approx(ua, rel=1e-3)
    assert fit.points == len(HOURS)
    assert fit.residual_k < 1e-3


def test_loss_is_learnt_from_a_noisy_probe_in_a_room_that_cools_too() -> None:
    noise = random.Random(7)
    tau_h = time_constant_h(CAPACITY, 60)

    def air(hour: float) -> float:
        return 20 - 0.3 * hour

    found = solve_ivp(
        lambda h, t: (air(h) - t) / tau_h, (0, HOURS[-1]), [26.0], t_eval=HOURS, rtol=1e-9
    ).y[0]
    log = [float(t) + noise.gauss(0, 0.05) for t in found]
    fit = loss_from_cool_down(HOURS, log, [air(h) for h in HOURS], CAPACITY)
    assert abs(fit.ua_w_k - 60) < 3 * fit.standard_error_w_k
    assert fit.standard_error_w_k < 3
    assert 0.03 < fit.residual_k < 0.07


@given(st.floats(10, 200), st.floats(1, 15), st.floats(0, 100))
def test_loss_is_learnt_from_heater_duty(ua: float, above: float, pumps: float) -> None:
    assume(ua * above > pumps)
    duty = (ua * above - pumps) / 4000
    found = loss_from_heater_duty(4000, duty, 20 + above, 20, pumps)
    assert found == pytest.approx(ua)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: loss_from_cool_down([0, 1, 2, 3], [26] * 4, [18] * 4, 1e7), "hours has 4 values"),
        (
            lambda: loss_from_cool_down([0, 1, 2, 3, 3], FIVE, FIVE, 1e7),
            "hours = 3 does",
        ),
        (lambda: loss_from_cool_down(HOURS, [26] * 48, [18] * 49, 1e7), "differ in length"),
        (lambda: loss_from_cool_down(HOURS, [18.5] * 49, [18] * 49, 1e7), "at least 1 K"),
        (
            lambda: loss_from_cool_down(HOURS, [20 + 0.1 * h for h in HOURS], [18] * 49, 1e7),
            "something heated the water",
        ),
        (lambda: loss_from_heater_duty(600, 0.5, 20.5, 20), "is outside 1 to 60 K"),
        (lambda: loss_from_heater_duty(600, 0.0, 26, 20), "must be greater than 0"),
        (lambda: saturation_pressure_pa(0.0), "t_degC = 0 °C is outside 0.01 to 100 °C"),
        (lambda: heat_capacity_j_k(3, 42.1, 25), "S = 42.1"),
        (lambda: latent_heat_kj_kg(35, 40.1), "t_degC = 40.1"),
        (lambda: heater_size_w(60, 8, 2.1), "margin = 2.1"),
        (lambda: temperature_after(1, 61, 18, 57), "t_start_degC = 61"),
    ],
)
def test_bad_input_is_refused(call: object, message: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=message):
        call()
