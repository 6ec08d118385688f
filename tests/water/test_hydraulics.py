import math

import fluids
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import constants
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from support.references import hazen_williams_m

from weirwatch.water.hydraulics import (
    STANDARD_GRAVITY_M_S2,
    drain_back_l,
    flow_l_min_from_pulses,
    level_m_from_pressure,
    operating_point_m3_s,
    orifice_flow_m3_s,
    pipe_head_loss_m,
    pump_head_m,
    pump_k,
    quadratic_operating_point_m3_s,
    siphon_drain_time_s,
    spare_margin_l,
    turnover_per_h,
    weir_coefficient,
    weir_flow_m3_s,
    weir_head_m,
)

crest = st.floats(0.1, 3)
coefficient = st.floats(0.5, 3)
small_flow = st.floats(1e-6, 5e-3)
static = st.floats(0, 4.9)
pipe = st.floats(0.02, 0.08)
length = st.floats(0, 30)
fittings = st.floats(0, 20)


@given(st.floats(0, 0.03), crest, coefficient)
def test_head_inverts_flow(head: float, length_m: float, c: float) -> None:
    flow = weir_flow_m3_s(head, length_m, c)
    assert weir_head_m(flow, length_m, c) == pytest.approx(head, abs=1e-12)


@given(st.floats(0.001, 0.03), crest, coefficient)
def test_coefficient_is_found_again(head: float, length_m: float, c: float) -> None:
    flow = weir_flow_m3_s(head, length_m, c)
    assert weir_coefficient(flow, head, length_m) == pytest.approx(c)


@pytest.mark.parametrize("head", [0.06, 0.1, 0.15, 0.2])
def test_weir_agrees_with_kindsvater_and_carter_within_its_range(head: float) -> None:
    # A full-width crest 0.5 m above the floor, 1 m long.
    expected = fluids.Q_weir_rectangular_full_Kindsvater_Carter(head, 0.5, 1.0)
    assert weir_flow_m3_s(head, 1.0) == pytest.approx(expected, rel=0.06)


@pytest.mark.parametrize("head", [0.06, 0.1, 0.2])
def test_contracted_weir_agrees_with_kindsvater_and_carter(head: float) -> None:
    # Row 7.2 is the library's own example at 0.2 m.
    expected = fluids.Q_weir_rectangular_Kindsvater_Carter(head, 0.5, 1.0)
    assert weir_flow_m3_s(head, 1.0, end_contractions=2) == pytest.approx(expected, rel=0.05)


@given(st.floats(0.001, 0.03), crest, st.floats(1.01, 2))
def test_more_head_or_crest_is_more_flow(head: float, length_m: float, more: float) -> None:
    flow = weir_flow_m3_s(head, length_m)
    assert weir_flow_m3_s(min(head * more, length_m / 3), length_m) > flow
    assert weir_flow_m3_s(head, length_m * more) > flow
    assert weir_flow_m3_s(head, length_m, end_contractions=2) < flow


def test_drain_back_adds_up_and_fits_or_overflows() -> None:
    back = drain_back_l(0.01, 1.5) + drain_back_l(0.008, 1.0, siphon_depth_m=0.03, pipe_l=12)
    assert back == pytest.approx(15 + 8 + 30 + 12)
    assert spare_margin_l(420, 300, back, other_l=10) == pytest.approx(45)
    assert spare_margin_l(420, 400, back) < 0


@given(st.floats(0.02, 2), st.floats(0, 1), st.floats(1e-5, 1e-2), st.floats(0.3, 1))
def test_drain_time_is_what_a_solver_of_differential_equations_finds(
    start: float, part: float, opening: float, cd: float
) -> None:
    end = start * part * 0.9
    seconds = siphon_drain_time_s(1.5, opening, start, end, cd)
    found = solve_ivp(
        lambda _, h: [-orifice_flow_m3_s(max(h[0], 0), opening, cd) / 1.5],
        (0, seconds), [start], rtol=1e-8, atol=1e-10,
    ).y[0, -1]  # fmt: skip
    assert found == pytest.approx(end, abs=1e-4)


def test_orifice_is_torricellis() -> None:
    assert constants.g == STANDARD_GRAVITY_M_S2
    assert orifice_flow_m3_s(1.0, 1.0, 1.0) == pytest.approx(math.sqrt(2 * constants.g))
    assert orifice_flow_m3_s(4.0, 1.0) == pytest.approx(2 * orifice_flow_m3_s(1.0, 1.0))


@given(small_flow, st.floats(0.1, 4.9))
def test_pump_curve_goes_through_its_point(flow: float, head: float) -> None:
    k = pump_k(flow, head, 5.0)
    assert pump_head_m(flow, 5.0, k) == pytest.approx(head)
    assert pump_head_m(0.0, 5.0, k) == 5.0


@given(st.floats(0.8, 2.5), st.floats(0.03, 0.05))
def test_pipe_loss_agrees_with_hazen_and_williams(speed: float, diameter: float) -> None:
    # Another empirical law, for water in smooth plastic (C = 150) at the speeds of a return line.
    flow = speed * math.pi * diameter**2 / 4
    expected = hazen_williams_m(flow, diameter, 10, 150)
    assert pipe_head_loss_m(flow, diameter, 10) == pytest.approx(expected, rel=0.07)


@given(small_flow, pipe, st.floats(0.1, 30), fittings)
def test_pipe_loss_is_fluids_friction_and_fittings(
    flow: float, diameter: float, length_m: float, minor: float
) -> None:
    speed = flow / (math.pi * diameter**2 / 4)
    reynolds = speed * diameter / 9.4e-7
    assume(not 2000 < reynolds < 4000)
    f = (
        64 / reynolds
        if reynolds <= 2000
        else fluids.friction.Colebrook(reynolds, 1.5e-6 / diameter)
    )
    k = fluids.K_from_f(f, length_m, diameter) + minor
    expected = fluids.head_from_K(k, speed)
    assert pipe_head_loss_m(flow, diameter, length_m, minor) == pytest.approx(expected, rel=1e-4)


@given(st.floats(1e4, 1e7), static, pipe, length, fittings)
def test_operating_point_is_where_another_solver_finds_it(
    k: float, lift: float, diameter: float, length_m: float, minor: float
) -> None:
    found = operating_point_m3_s(5.0, k, lift, diameter, length_m, minor)
    expected = brentq(
        lambda q: 5.0 - k * q**2 - lift - pipe_head_loss_m(q, diameter, length_m, minor),
        0, 1.01 * math.sqrt(5.0 / k), xtol=1e-15,
    )  # fmt: skip
    assert found == pytest.approx(expected, rel=1e-7)


@given(st.floats(1e4, 1e7), static, st.floats(0, 1e7))
def test_quadratic_operating_point_balances(k: float, lift: float, system_k: float) -> None:
    flow = quadratic_operating_point_m3_s(5.0, k, lift, system_k)
    assert pump_head_m(flow, 5.0, k) == pytest.approx(lift + system_k * flow**2)


@given(st.floats(1e4, 1e7), static, fittings, st.floats(0.1, 5))
def test_clogging_means_less_flow(k: float, lift: float, minor: float, more: float) -> None:
    clean = operating_point_m3_s(5.0, k, lift, 0.04, 6, minor)
    assert operating_point_m3_s(5.0, k, lift, 0.04, 6, minor + more) < clean


def test_a_pump_that_cannot_lift_gives_nothing() -> None:
    assert operating_point_m3_s(2.0, 1e6, 2.0, 0.04, 6) == 0.0
    assert operating_point_m3_s(2.0, 1e6, 3.0, 0.04, 6) == 0.0
    assert quadratic_operating_point_m3_s(2.0, 1e6, 3.0, 1e5) == 0.0
    assert pipe_head_loss_m(0.0, 0.04, 6, 4) == 0.0


@given(st.floats(0, 5), st.floats(990, 1060))
def test_level_inverts_hydrostatic_pressure(level: float, density: float) -> None:
    found = level_m_from_pressure(density * constants.g * level, density)
    assert found == pytest.approx(level, abs=1e-12)


def test_a_probes_offset_below_zero_is_kept() -> None:
    assert level_m_from_pressure(-50, 1023.3) < 0


def test_pulses_and_turnover() -> None:
    assert flow_l_min_from_pulses(0, 450) == 0
    assert flow_l_min_from_pulses(15, 450) == pytest.approx(2)
    assert turnover_per_h(0, 2000) == 0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: weir_flow_m3_s(0.34, 1.0), "head_m = 0.34 m is outside 0 to 0.333333 m"),
        (lambda: weir_head_m(0.5, 1.0), "flow_m3_s = 0.5 m³/s is outside 0 to 0.354"),
        (lambda: weir_flow_m3_s(0.1, 1.0, 3.1), "coefficient = 3.1"),
        (lambda: weir_flow_m3_s(0.1, 1.0, end_contractions=3), "end_contractions = 3"),
        (lambda: spare_margin_l(420, 421, 50), "sump_working_l = 421"),
        (lambda: siphon_drain_time_s(1, 0.01, 0.5, 0.6), "head_end_m = 0.6"),
        (lambda: siphon_drain_time_s(1, 1.1, 0.5), "opening_area_m2 = 1.1"),
        (lambda: orifice_flow_m3_s(1, 1, 1.1), "discharge_coefficient = 1.1"),
        (lambda: pump_head_m(0.01, 5, 1e5), "flow_m3_s = 0.01"),
        (lambda: pump_k(0.001, 5, 5), "must be greater than 0"),
        (lambda: pipe_head_loss_m(1e-3, 0.04, 6, roughness_m=0.01), "roughness_m = 0.01"),
        (lambda: level_m_from_pressure(-1001, 1023), "pressure_pa = -1001"),
        (lambda: level_m_from_pressure(2500, 1.0233), "density_kg_m3 = 1.0233"),
    ],
)
def test_bad_input_is_refused(call: object, message: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=message):
        call()
