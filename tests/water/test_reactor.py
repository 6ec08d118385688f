from dataclasses import replace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from weirwatch.water.reactor import (
    Demand,
    alkalinity_dkh_day,
    calcium_mg_L_day,
    consumption_from_balance_dkh_day,
    effluent_needed_dkh,
    effluent_needed_ml_min,
    next_effluent_ml_min,
    next_gas,
    reactor_share,
)

flow = st.floats(1, 300)
effluent = st.floats(12, 60)
system = st.floats(5, 11)
volume = st.floats(200, 10_000)
need = st.floats(0, 4)
DEMAND = Demand(
    system_dkh=7.5, volume_l=2500, consumption_dkh_day=1.2, other_dkh_day=0.3, target_dkh=8.2
)


@given(flow, effluent, system, volume)
def test_flow_and_effluent_are_found_again(q: float, rich: float, poor: float, v: float) -> None:
    added = alkalinity_dkh_day(q, rich, poor, v)
    assert effluent_needed_ml_min(added, rich, poor, v) == pytest.approx(q)
    assert effluent_needed_dkh(added, q, poor, v) == pytest.approx(rich)
    assert calcium_mg_L_day(q, rich, poor, v) == pytest.approx(7.1469 * added, rel=1e-4)


def test_the_balance_is_that_of_a_stirred_vessel() -> None:
    # One day of 60 ml/min of 25 dKH through 2500 l, nothing taken up: a solver agrees to 1 %,
    # since the system's own rise in that day is small beside the effluent.
    v, q = 2500.0, 60 * 1.44
    end = solve_ivp(lambda _, a: q * (25 - a) / v, (0, 1), [8.0], rtol=1e-9).y[0, -1]
    assert alkalinity_dkh_day(60, 25, 8, v) == pytest.approx(end - 8, rel=0.02)


def test_effluent_poorer_than_the_system_takes_alkalinity_away() -> None:
    assert alkalinity_dkh_day(60, 6, 8, 2500) < 0


@given(need, st.floats(-1, 1))
def test_consumption_is_supply_less_trend(supply: float, trend: float) -> None:
    assert consumption_from_balance_dkh_day(supply, trend) == pytest.approx(supply - trend)


def test_share_can_be_more_than_all() -> None:
    assert reactor_share(0.6, 1.2) == 0.5
    assert reactor_share(1.8, 1.2) == 1.5


demands = st.builds(
    Demand,
    system_dkh=system,
    volume_l=volume,
    consumption_dkh_day=need,
    other_dkh_day=need,
    target_dkh=st.floats(6, 10),
    days=st.floats(1, 30),
    max_rise_dkh_day=st.floats(0.1, 1),
)


@given(st.floats(0, 300), effluent, demands, st.floats(0.05, 1))
def test_next_effluent_is_safe(now: float, rich: float, demand: Demand, step: float) -> None:
    found = next_effluent_ml_min(now, rich, demand, step)
    assert found.setting >= 0
    if found.limit != "not needed":
        assert found.rise_dkh_day <= demand.max_rise_dkh_day + 1e-9
    if now > 0:
        assert found.setting <= now * (1 + step) * (1 + 1e-12)
    if demand.system_dkh > demand.target_dkh and found.setting > 0:
        assert found.rise_dkh_day <= 1e-9


@given(flow, effluent, st.floats(5.5, 8.5), demands, st.floats(0.05, 1))
def test_next_gas_is_safe(
    q: float, rich: float, chamber: float, demand: Demand, step: float
) -> None:
    found = next_gas(20.0, q, rich, chamber, demand, step)
    assert 0 <= found.setting <= 20 * (1 + step) * (1 + 1e-12)
    if chamber <= 6.5:
        assert found.setting <= 20
    if found.limit == "target":
        assume(demand.system_dkh > demand.target_dkh)
        assert found.rise_dkh_day <= 1e-9


def test_steps_lead_to_the_demand_in_balance() -> None:
    at_target = replace(DEMAND, system_dkh=8.2)
    now = 20.0
    for _ in range(20):
        step = next_effluent_ml_min(now, 25.0, at_target)
        assert step.setting <= now * 1.2 * (1 + 1e-12)
        now = step.setting
    assert now == pytest.approx(effluent_needed_ml_min(0.9, 25.0, 8.2, 2500))
    assert step.limit == "target"
    assert step.rise_dkh_day == pytest.approx(0.0, abs=1e-9)


def test_what_limits_is_named() -> None:
    assert next_effluent_ml_min(10, 25, DEMAND).limit == "largest step"
    assert next_effluent_ml_min(500, 25, DEMAND).limit == "target"
    assert next_effluent_ml_min(500, 25, replace(DEMAND, days=1)).limit == "largest rise"
    idle = next_effluent_ml_min(50, 25, replace(DEMAND, other_dkh_day=3.0))
    assert (idle.limit, idle.setting) == ("not needed", 0.0)
    start = next_effluent_ml_min(0, 25, DEMAND)
    assert (start.limit, start.setting > 0) == ("largest step", True)
    assert next_gas(20, 60, 25, 6.4, DEMAND).limit == "chamber pH"
    assert next_gas(20, 60, 25, 6.7, DEMAND).limit == "largest step"
    assert next_gas(20, 300, 40, 6.4, DEMAND).limit == "target"  # down is always allowed


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: effluent_needed_ml_min(1, 8, 8, 2500), "effluent_dkh − system_dkh"),
        (lambda: effluent_needed_dkh(4, 1, 8, 10_000), "effluent alkalinity needed"),
        (lambda: calcium_mg_L_day(60, 7, 8, 2500), "effluent_dkh = 7"),
        (lambda: alkalinity_dkh_day(60, 25, 31, 2500), "system_dkh = 31"),
        (lambda: reactor_share(1, 0), "consumption_dkh_day = 0"),
        (lambda: next_gas(20, 60, 7, 6.7, DEMAND), "alkalinity the reactor adds"),
        (lambda: next_gas(20, 60, 25, 4.9, DEMAND), "chamber_ph = 4.9"),
        (lambda: next_effluent_ml_min(20, 25, DEMAND, 0), "max_step = 0"),
        (lambda: next_effluent_ml_min(20, 25, replace(DEMAND, target_dkh=16)), "target_dkh = 16"),
        (
            lambda: next_effluent_ml_min(20, 25, replace(DEMAND, max_rise_dkh_day=1.1)),
            "max_rise_dkh_day = 1.1",
        ),
    ],
)
def test_bad_input_is_refused(call: object, message: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=message):
        call()
