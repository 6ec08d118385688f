"""Calibration: from points to a correction, its verdict, and the raw value back again."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from weirwatch.domain.errors import RefusedEntry
from weirwatch.domain.keeper_log import Correction, correction_at
from weirwatch.domain.reading import Channel
from weirwatch.pipeline.calibrating import find_calibration
from weirwatch.water.ph_probe import PERFECT, Calibration, mV_from_ph, ph_from_mV

PH = Channel("hall/node/ph", "ph", "pH")
LEVEL = Channel("hall/node/level", "level", "mm")
CONDUCTIVITY = Channel("hall/node/cond", "conductivity", "mS/cm")
TEMPERATURE = Channel("hall/node/t", "temperature", "Cel")
LEAK = Channel("hall/node/leak", "switch")
IDEAL = Calibration(100.0, 0.0)


def test_an_aged_electrode_is_found_again_and_corrected() -> None:
    # An electrode of 96.11 % and -5.0 mV (rows 2.14 and 2.15); the node takes it for ideal.
    aged = Calibration(96.11, -5.0)
    shown = {ph: ph_from_mV(mV_from_ph(ph, 25.0, aged), 25.0, IDEAL) for ph in (4.01, 7.0, 8.2)}
    found = find_calibration(PH, [(7.0, shown[7.0]), (4.01, shown[4.01])], 25.0, None)
    assert found.slope_percent == pytest.approx(96.11, abs=1e-6)
    assert found.offset_mv == pytest.approx(-5.0, abs=1e-6)
    assert found.verdict == "accept"
    assert shown[8.2] * found.gain + found.shift == pytest.approx(8.2, abs=1e-9)


def test_a_dead_electrode_is_rejected_with_the_reason() -> None:
    found = find_calibration(PH, [(7.0, 7.6), (10.01, 9.9)], 25.0, None)
    assert found.verdict == "reject"
    assert any("replace the probe" in reason for reason in found.reasons)


def test_one_standard_for_conductivity_and_two_marks_for_a_level() -> None:
    one = find_calibration(CONDUCTIVITY, [(53.07, 52.0)], None, None)
    assert one.gain * 52.0 + one.shift == pytest.approx(53.07)
    two = find_calibration(LEVEL, [(100.0, 96.0), (300.0, 302.0)], None, None)
    assert two.gain * 96.0 + two.shift == pytest.approx(100.0)
    assert two.gain * 302.0 + two.shift == pytest.approx(300.0)
    odd = find_calibration(CONDUCTIVITY, [(53.07, 12.9)], None, None)
    assert odd.verdict == "reject"


@pytest.mark.parametrize(
    ("channel", "points", "words"),
    [
        (PH, [(7.0, 7.1)], "2 or 3 point"),
        (PH, [(7.0, 7.1), (10.0, 4.0)], "swapped"),
        (LEVEL, [(100.0, 300.0), (300.0, 100.0)], "swapped"),
        (LEVEL, [(100.0, 100.0), (100.0, 200.0)], "must differ"),
        (CONDUCTIVITY, [(0.0, 5.0)], "above 0"),
        (LEAK, [(1.0, 1.0)], "is a switch"),
        (TEMPERATURE, [(25.0, 25.1), (30.0, 30.0)], "1 point"),
    ],
)
def test_points_that_no_probe_gives(
    channel: Channel, points: list[tuple[float, float]], words: str
) -> None:
    with pytest.raises(RefusedEntry, match=words):
        find_calibration(channel, points, None, None)


@settings(deadline=None)
@given(st.floats(0.8, 1.2), st.floats(-50, 50), st.floats(0, 400), st.floats(5, 200))
def test_what_is_shown_is_freed_of_the_standing_correction(
    gain: float, shift: float, raw: float, apart: float
) -> None:
    standing = Correction(0, gain, shift)
    points = [(100.0, standing.apply(raw)), (100.0 + apart, standing.apply(raw + apart))]
    found = find_calibration(LEVEL, points, None, standing)
    assert found.gain * raw + found.shift == pytest.approx(100.0, abs=1e-6)


@settings(deadline=None)
@given(st.floats(0.5, 2), st.floats(-100, 100), st.floats(-1000, 1000))
def test_the_raw_value_comes_back(gain: float, shift: float, raw: float) -> None:
    correction = Correction(0, gain, shift)
    assert correction.raw(correction.apply(raw)) == pytest.approx(raw, abs=1e-9)


def test_a_correction_applies_from_its_start_on() -> None:
    first, second = Correction(10, 1.1, 0.0), Correction(20, 1.2, 0.0)
    assert [correction_at((first, second), t) for t in (9, 10, 19, 20, 99)] == [
        None, first, first, second, second,
    ]  # fmt: skip


MILLIVOLTS = Channel("hall/node/ph-mv", "ph-voltage", "mV")


def test_millivolts_become_those_of_a_perfect_electrode_at_any_temperature() -> None:
    aged = Calibration(96.11, -5.0)  # rows 2.14 and 2.15 of the check values
    points = [(7.0, -5.0), (4.01, mV_from_ph(4.01, 25.0, aged))]
    found = find_calibration(MILLIVOLTS, points, 25.0, None)
    assert (found.slope_percent, found.offset_mv) == pytest.approx((96.11, -5.0))
    # row 2.17: -72.0 mV at 28 °C is pH 8.167
    assert ph_from_mV(-72.0 * found.gain + found.shift, 28.0, PERFECT) == pytest.approx(
        8.167, abs=1e-3
    )


def test_a_second_calibration_of_millivolts_starts_from_the_raw_ones() -> None:
    standing = Correction(0, 1.04, 5.2)
    shown = [(7.0, standing.apply(-5.0)), (10.01, standing.apply(-176.0))]
    again = find_calibration(MILLIVOLTS, shown, 25.0, standing)
    fresh = find_calibration(MILLIVOLTS, [(7.0, -5.0), (10.01, -176.0)], 25.0, None)
    assert (again.gain, again.shift) == pytest.approx((fresh.gain, fresh.shift))


def test_swapped_millivolts_are_refused() -> None:
    with pytest.raises(RefusedEntry):
        find_calibration(MILLIVOLTS, [(7.0, 170.0), (4.01, -5.0)], 25.0, None)
    with pytest.raises(RefusedEntry, match="2 or 3"):
        find_calibration(MILLIVOLTS, [(7.0, -5.0)], 25.0, None)
