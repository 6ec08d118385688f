import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from weirwatch.water.power import (
    Battery,
    Load,
    derated_capacity_ah,
    peukert_runtime_h,
    runtime_h,
    what_can_run,
)

LEAD = Battery(12.0, 100.0, rated_hours=20.0, peukert=1.2, usable=0.5, efficiency=0.85)
capacity = st.floats(5, 500)
current = st.floats(0.1, 100)
exponent = st.floats(1, 1.5)


@given(capacity, exponent, st.floats(1, 100))
def test_at_its_rating_every_battery_lasts_its_rating(c: float, k: float, hours: float) -> None:
    assert peukert_runtime_h(c, c / hours, k, hours) == pytest.approx(hours)


@given(capacity, st.floats(1.01, 1.5), st.floats(1.1, 10))
def test_above_the_rating_peukert_shortens(c: float, k: float, more: float) -> None:
    amps = c / 20 * more
    assert (
        peukert_runtime_h(c, amps, k) < peukert_runtime_h(c, amps, 1.0) == pytest.approx(c / amps)
    )


@given(capacity, current, exponent, st.floats(1.01, 3))
def test_more_load_is_less_time(c: float, amps: float, k: float, more: float) -> None:
    assert peukert_runtime_h(c, amps * more, k) < peukert_runtime_h(c, amps, k)
    assert peukert_runtime_h(c * more, amps, k) > peukert_runtime_h(c, amps, k)


@given(capacity, st.floats(0.1, 500), exponent, st.floats(0.1, 1), st.floats(0.5, 1))
def test_never_more_energy_out_than_the_battery_holds(
    c: float, watts: float, k: float, usable: float, efficiency: float
) -> None:
    battery = Battery(12.0, c, peukert=k, usable=usable, efficiency=efficiency)
    stored_wh = 12.0 * c * usable * efficiency
    assert runtime_h(battery, watts) * watts <= stored_wh * (1 + 1e-9)


def test_loads_alone_and_together_in_their_order() -> None:
    loads = [Load("air", 10), Load("circulation", 40), Load("heater", 300)]
    runs = what_can_run(LEAD, loads)
    assert [run.name for run in runs] == ["air", "circulation", "heater"]
    assert runs[0].alone_h == runs[0].with_earlier_h
    assert runs[1].with_earlier_h == runtime_h(LEAD, 50)
    assert runs[2].with_earlier_h == runtime_h(LEAD, 350) < runs[2].alone_h == runtime_h(LEAD, 300)
    assert what_can_run(LEAD, []) == []


def test_no_load_lasts_for_ever() -> None:
    assert peukert_runtime_h(100, 0) == math.inf
    assert runtime_h(LEAD, 0) == math.inf


def test_cold_and_age_take_their_share() -> None:
    assert derated_capacity_ah(100, 0) == pytest.approx(80)
    assert derated_capacity_ah(100, 25, aged=0.2) == pytest.approx(80)
    assert derated_capacity_ah(100, 12.5, aged=0.2) == pytest.approx(72)
    assert derated_capacity_ah(100, 40) == 100


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: peukert_runtime_h(100, 5, 0.99), "peukert = 0.99"),
        (lambda: peukert_runtime_h(100, 5, 1.2, 0.5), "rated_hours = 0.5"),
        (lambda: runtime_h(Battery(12, 100, usable=1.1), 60), "usable = 1.1"),
        (lambda: runtime_h(Battery(12, 100, efficiency=0.0), 60), "efficiency = 0"),
        (lambda: runtime_h(Battery(1001, 100), 60), "voltage_v = 1001"),
        (lambda: runtime_h(LEAD, -1), "power_w = -1"),
        (lambda: derated_capacity_ah(100, -1), "t_degC = -1"),
        (lambda: derated_capacity_ah(100, 25, 0.81), "aged = 0.81"),
    ],
)
def test_bad_input_is_refused(call: object, message: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=message):
        call()
