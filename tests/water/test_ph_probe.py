import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from weirwatch.water.ph_probe import (
    BUFFERS,
    Calibration,
    accept,
    ageing,
    buffer_ph,
    calibrate,
    mV_from_ph,
    nernst_slope_mV,
    ph_from_mV,
    phthalate_ph,
    tris_ph,
    with_one_point,
)

slopes = st.floats(80, 110)
offsets = st.floats(-40, 40)
temperature = st.floats(0, 45)


@given(st.floats(0, 100))
def test_nernst_slope_is_codatas(t: float) -> None:
    expected = (
        math.log(10)
        * constants.R
        * (t + constants.zero_Celsius)
        / constants.physical_constants["Faraday constant"][0]
    )
    assert nernst_slope_mV(t) == pytest.approx(expected * 1000, rel=1e-9)


@given(slopes, offsets, temperature, st.floats(1, 13))
def test_ph_inverts_voltage(slope: float, offset: float, t: float, ph: float) -> None:
    probe = Calibration(slope, offset)
    assert ph_from_mV(mV_from_ph(ph, t, probe), t, probe) == pytest.approx(ph)


@given(slopes, offsets, st.floats(0, 50), st.integers(2, 3))
def test_calibration_finds_the_electrode_again(
    slope: float, offset: float, t: float, count: int
) -> None:
    probe = Calibration(slope, offset)
    buffers = [4.01, 7.0, 10.01][:count]
    found = calibrate([(ph, mV_from_ph(ph, t, probe)) for ph in buffers], t)
    assert found.slope_percent == pytest.approx(slope)
    assert found.offset_mV == pytest.approx(offset, abs=1e-9)
    assert found.residual_mV == pytest.approx(0, abs=1e-9)


@given(slopes, offsets, temperature, st.floats(-200, 150), st.floats(0.1, 50))
def test_higher_voltage_is_lower_ph(
    slope: float,
    offset: float,
    t: float,
    volts: float,
    more: float,
) -> None:
    probe = Calibration(slope, offset)
    assert ph_from_mV(volts + more, t, probe) < ph_from_mV(volts, t, probe)


def test_three_points_show_how_far_they_are_from_a_line() -> None:
    bent = calibrate([(4.0, 171.0), (7.0, 3.0), (10.0, -171.0)], 25)
    # 57 mV/pH through pH 7 at 1 mV: 1 mV short, 2 mV over, 1 mV short.
    assert bent.offset_mV == pytest.approx(1.0)
    assert bent.residual_mV == pytest.approx(2**0.5)
    assert bent.slope_percent == pytest.approx(57 / 59.159 * 100, abs=0.01)


def test_temperature_changes_the_slope_but_not_the_isopotential_point() -> None:
    probe = Calibration(100.0, 0.0)
    assert ph_from_mV(0.0, 10, probe) == ph_from_mV(0.0, 40, probe) == 7.0
    assert ph_from_mV(-60.0, 40, probe) < ph_from_mV(-60.0, 10, probe)


# NBS/NIST primary standards as printed in a table of that body (0, 5 and 10 °C to two decimals),
# and an analyser manual's table of technical buffers.
@pytest.mark.parametrize(
    ("buffer", "t", "ph"),
    [
        ("phosphate", 0, 6.98), ("phosphate", 5, 6.95), ("phosphate", 10, 6.92),
        ("borax", 0, 9.46), ("borax", 5, 9.40), ("borax", 10, 9.33),
        ("technical-7", 25, 7.00), ("technical-7", 0, 7.12), ("technical-7", 40, 6.98),
        ("technical-10", 25, 10.01), ("technical-10", 5, 10.25), ("technical-10", 40, 9.89),
        ("phthalate", 25, 4.006), ("technical-4", 25, 4.01),
    ],
)  # fmt: skip
def test_buffer_tables(buffer: str, t: float, ph: float) -> None:
    assert buffer_ph(buffer, t) == pytest.approx(ph, abs=0.01)


@pytest.mark.parametrize("buffer", BUFFERS)
@given(row=st.floats(0, 40))
def test_between_the_rows_a_buffer_lies_between_its_neighbours(buffer: str, row: float) -> None:
    below, above = math.floor(row / 5) * 5, math.ceil(row / 5) * 5
    low, high = sorted((buffer_ph(buffer, below), buffer_ph(buffer, above)))
    assert low - 1e-9 <= buffer_ph(buffer, row) <= high + 1e-9


def test_tris_takes_a_probe_to_the_total_scale_and_says_so() -> None:
    nbs = calibrate([(7.0, 0.0), (10.01, -175.0)], 25)
    total = with_one_point(nbs, tris_ph(35, 25), -72.0, 25, "total")
    assert (nbs.scale, total.scale) == ("nbs", "total")
    assert total.slope_percent == nbs.slope_percent
    assert ph_from_mV(-72.0, 25, total) == pytest.approx(8.0936, abs=0.0005)


@pytest.mark.parametrize(
    ("slope", "offset", "age", "response", "verdict"),
    [
        (99, 5, 3, 20, "accept"),
        (95, 15, 30, 60, "accept"),
        (94.9, 5, 3, None, "warn"),
        (105.1, 5, 3, None, "warn"),
        (99, -15.1, 3, None, "warn"),
        (99, 5, 31, None, "warn"),
        (99, 5, 3, 61, "warn"),
        (89.9, 5, 3, None, "reject"),
        (110.1, 5, 3, None, "reject"),
        (99, 30.1, 3, None, "reject"),
    ],
)
def test_acceptance(
    slope: float, offset: float, age: float, response: float | None, verdict: str
) -> None:
    found = accept(Calibration(slope, offset), age, response)
    assert found.verdict == verdict
    assert bool(found.reasons) == (verdict != "accept")


def test_every_fault_is_named_worst_first() -> None:
    found = accept(Calibration(80, 20), age_days=90, response_s=100)
    assert [reason.split()[0] for reason in found.reasons] == [
        "slope", "offset", "calibration", "response",
    ]  # fmt: skip


def test_ageing_tells_the_days_until_the_limit() -> None:
    found = ageing([0, 30, 60, 90], [99, 98, 97, 96])
    assert found.percent_per_month == pytest.approx(-30.4 / 30)
    assert found.days_left == pytest.approx(180)  # (96 − 90) at 1 % in 30 days


def test_a_probe_that_does_not_age_has_no_end() -> None:
    assert ageing([0, 30, 60], [97, 97, 97.5]).days_left == math.inf
    assert ageing([0, 30, 60], [91, 90, 89]).days_left == 0.0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: calibrate([(7.0, 0.0)], 25), "number of points = 1"),
        (lambda: calibrate([(7.0, 0.0), (7.5, -30.0)], 25), "pH between the outer buffers"),
        (lambda: calibrate([(7.0, 170.0), (4.0, 0.0)], 25), "buffers swapped"),
        (lambda: calibrate([(7.0, 0.0), (0.9, 350.0)], 25), "pH of a buffer"),
        (lambda: calibrate([(7.0, 0.0), (4.0, 1001.0)], 25), "e_mV"),
        (lambda: calibrate([(7.0, 0.0), (4.0, 170.0)], 50.1), "t_degC"),
        (lambda: ph_from_mV(450.0, 25, Calibration(100, 0)), "pH of 450 mV"),
        (lambda: phthalate_ph(60.1), "t_degC"),
        (lambda: buffer_ph("borax", 40.1), "t_degC"),
        (lambda: buffer_ph("vinegar", 25), "'vinegar' is not one of phthalate, phosphate"),
        (lambda: tris_ph(19.9, 25), "S"),
        (lambda: tris_ph(35, 45.1), "t_degC"),
        (lambda: ageing([0, 30], [99, 98]), "days has 2 values"),
    ],
)
def test_bad_input_is_refused(call: object, message: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=message):
        call()
