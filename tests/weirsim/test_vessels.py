from collections.abc import Callable

import pytest
from scipy.integrate import solve_ivp

from weirsim.circuit import L_H
from weirsim.plant import VesselSpec
from weirsim.vessels import Vessel, Water
from weirwatch.water.hydraulics import FRANCIS_COEFFICIENT, weir_flow_m3_s, weir_head_m


def basin(crest_length_m: float = 0.6, area_m2: float = 1.2) -> Vessel:
    spec = VesselSpec("basin", "display", 1000.0, area_m2, 1.0, None, 0.8, crest_length_m)
    vessel = Vessel(spec, 0.0)
    vessel.volume_m3 = vessel.crest_m3
    return vessel


def pour(
    vessel: Vessel, flow: Callable[[float], float], seconds: float, dt_s: float
) -> list[float]:
    heads, below = [], Water()
    for i in range(round(seconds / dt_s)):
        inflow = flow(i * dt_s)
        vessel.volume_m3 += inflow * dt_s
        vessel.give(vessel.spill_m3(inflow, dt_s), below)
        heads.append(vessel.head_m)
    return heads


@pytest.mark.parametrize(
    ("flow_l_h", "crest_m", "head_mm"),
    [(3000.0, 0.6, 8.29), (6000.0, 1.0, 9.36), (10_000.0, 1.2, 11.65)],
)
def test_the_steady_head_is_that_of_francis(
    flow_l_h: float, crest_m: float, head_mm: float
) -> None:
    """Francis 1883 without end contractions; rows 7.4, 7.6 and 7.7 of the check values."""
    vessel = basin(crest_m)
    pour(vessel, lambda _: flow_l_h * L_H, 600.0, 2.5)
    assert vessel.head_m * 1000.0 == pytest.approx(head_mm, abs=0.02)
    assert vessel.head_m == pytest.approx(weir_head_m(flow_l_h * L_H, crest_m), rel=1e-6)


def test_what_falls_over_in_the_steady_state_is_what_flows_in() -> None:
    vessel = basin()
    vessel.volume_m3 += 0.01 * vessel.area_m2
    flow = weir_flow_m3_s(0.01, 0.6)
    vessel.volume_m3 += flow * 2.5
    assert vessel.spill_m3(flow, 2.5) == pytest.approx(flow * 2.5, rel=1e-9)


@pytest.mark.parametrize("dt_s", [0.5, 2.5])
def test_the_head_runs_off_as_the_closed_form_says(dt_s: float) -> None:
    """dH/dt = −c L H^1.5 / A has the solution H0 / (1 + c L √H0 t / 2A)²."""
    vessel, start = basin(0.44), 0.0093
    vessel.volume_m3 += start * vessel.area_m2
    heads = pour(vessel, lambda _: 0.0, 120.0, dt_s)
    for i in (0, 9, 19, len(heads) - 1):
        t = (i + 1) * dt_s
        rate = FRANCIS_COEFFICIENT * 0.44 * start**0.5 / (2.0 * 1.2)
        assert heads[i] == pytest.approx(start / (1.0 + rate * t) ** 2, abs=5e-5)


def test_a_changing_inflow_agrees_with_an_independent_solver() -> None:
    """scipy's LSODA on the same equation, with an inflow that steps up and down."""

    def inflow(t: float) -> float:
        return 6e-4 if (t // 40.0) % 2 == 0 else 1e-4

    vessel = basin(0.44)
    heads = pour(vessel, inflow, 240.0, 1.0)

    def slope(t: float, head: list[float]) -> list[float]:
        over = FRANCIS_COEFFICIENT * 0.44 * max(0.0, head[0]) ** 1.5
        return [(inflow(t) - over) / 1.2]

    exact = solve_ivp(
        slope, (0.0, 240.0), [0.0], method="LSODA", max_step=0.5, t_eval=range(1, 241), rtol=1e-8
    )
    worst = max(abs(a - b) for a, b in zip(heads, exact.y[0], strict=True))
    assert worst < 1e-4  # a tenth of a millimetre


def test_no_water_falls_over_below_the_crest() -> None:
    vessel = basin()
    vessel.volume_m3 = vessel.crest_m3 - 0.05
    vessel.volume_m3 += 1e-3
    assert vessel.spill_m3(1e-3, 1.0) == 0.0


def test_a_vessel_drawn_down_by_a_siphon_never_spills_below_its_crest() -> None:
    vessel = basin()
    vessel.volume_m3 = vessel.crest_m3 + 1e-4
    vessel.volume_m3 -= 5e-3
    assert vessel.spill_m3(-1e-3, 5.0) == 0.0


def test_a_blocked_overflow_spills_nothing_and_a_half_blocked_one_heads_higher() -> None:
    vessel = basin()
    vessel.open_share = 0.0
    pour(vessel, lambda _: 1e-4, 60.0, 1.0)
    assert vessel.volume_m3 == pytest.approx(vessel.crest_m3 + 60e-4)
    half = basin()
    half.open_share = 0.5
    pour(half, lambda _: 1e-3, 900.0, 1.0)
    assert half.head_m == pytest.approx(2.0 ** (2.0 / 3.0) * weir_head_m(1e-3, 0.6), rel=1e-4)


@pytest.mark.parametrize("dt_s", [0.5, 5.0, 60.0])
def test_water_is_conserved_at_any_step(dt_s: float) -> None:
    vessel, below = basin(), Water()
    start = vessel.volume_m3
    for i in range(100):
        inflow = 5e-4 * (i % 3)
        vessel.volume_m3 += inflow * dt_s
        start += inflow * dt_s
        vessel.give(vessel.spill_m3(inflow, dt_s), below)
        assert vessel.head_m >= 0.0
    assert vessel.volume_m3 + below.volume_m3 == pytest.approx(start, rel=1e-12)


def test_what_is_given_carries_its_share_of_salt_and_heat() -> None:
    a, b = Water(2.0, 70.0, 1000.0), Water(1.0, 0.0, 0.0)
    a.give(0.5, b)
    assert (a.volume_m3, a.salt_kg, a.heat_j) == (1.5, 52.5, 750.0)
    assert (b.volume_m3, b.salt_kg, b.heat_j) == (1.5, 17.5, 250.0)
    a.give(99.0, b)
    assert (a.volume_m3, a.salt_kg, a.heat_j) == (0.0, 0.0, 0.0)
    assert (b.volume_m3, b.salt_kg, b.heat_j) == (3.0, 70.0, 1000.0)
    b.give(-1.0, a)
    assert a.volume_m3 == 0.0


@pytest.mark.parametrize("dt_s", [2.5, 10.0, 30.0, 60.0])
@pytest.mark.parametrize("start_m", [0.0, 0.03])
def test_no_step_carries_the_head_past_where_as_much_goes_over_as_flows_in(
    dt_s: float, start_m: float
) -> None:
    """A small display after its pump has stood: 1800 L/h over 20 cm; 30 mm below its rim."""
    vessel = basin(0.2, 0.5)
    vessel.volume_m3 += start_m * vessel.area_m2
    flow = 1800.0 * L_H
    rest_m = weir_head_m(flow, 0.2)
    heads = pour(vessel, lambda _: flow, 600.0, dt_s)
    low, high = sorted((start_m, rest_m))
    assert all(low - 1e-9 <= head <= high + 1e-9 for head in heads)
    assert heads[-1] == pytest.approx(rest_m, rel=1e-4)
