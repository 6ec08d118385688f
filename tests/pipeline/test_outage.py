"""The outage clock: lower bounds, and which of them comes first."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from weirwatch.pipeline.outage import (
    LONGEST_H,
    OutageBasis,
    OutageNow,
    outage_clock,
    outage_sentence,
)
from weirwatch.water.heat import temperature_after, time_constant_h
from weirwatch.water.oxygen import oxygen_after, saturation_mg_L

HALL = OutageBasis(volume_l=2860.0, loss_w_per_k=45.0, evaporation_l_per_day=14.0)
NOW = OutageNow(25.5, 19.0, 35.0, oxygen_mg_l=6.2)


def test_oxygen_falls_by_the_uptake_alone() -> None:
    clock = outage_clock(HALL, NOW)
    assert clock.oxygen_h == pytest.approx((6.2 - 3.0) / 1.0)
    assert not clock.oxygen_assumed
    assert clock.first == ("oxygen", clock.oxygen_h)


def test_at_the_told_hour_the_water_is_not_yet_too_cold_without_evaporation() -> None:
    # 2860 l of sea water at 25.5 °C hold 2860 kg x 1.0232 x 4.0 kJ/kg/K = 11.7 MJ/K (rows 6.1, 6.2)
    hours = outage_clock(HALL, NOW).temperature_h
    constant = time_constant_h(11.7e6, 45.0)
    assert 10 < hours < 40
    assert temperature_after(hours, 25.5, 19.0, constant) > 22.0


def test_the_battery_lasts_its_energy_over_its_load() -> None:
    basis = OutageBasis(2860.0, 45.0, battery_wh=1200.0, battery_load_w=60.0)
    now = OutageNow(25.5, 19.0, oxygen_mg_l=6.2, battery_part=0.5)
    assert outage_clock(basis, now).battery_h == pytest.approx(10.0)
    empty = OutageNow(25.5, 19.0, oxygen_mg_l=6.2, battery_part=0.0)
    assert outage_clock(basis, empty).first == ("battery", 0.0)


def test_without_an_oxygen_probe_it_says_what_was_assumed() -> None:
    clock = outage_clock(HALL, OutageNow(25.5, 19.0))
    assert clock.oxygen_assumed
    assert clock.oxygen_h == pytest.approx(0.8 * saturation_mg_L(35.0, 25.5) - 3.0)
    assert "assumed at 80 %" in outage_sentence(HALL, clock)


def test_what_is_too_cold_already_has_no_time_left_and_a_warm_room_has_a_week() -> None:
    assert outage_clock(HALL, OutageNow(21.9, 19.0)).temperature_h == 0.0
    dry = OutageBasis(2860.0, 45.0)
    clock = outage_clock(dry, OutageNow(25.5, 24.0))
    assert clock.temperature_h == LONGEST_H
    assert "22 °C in a week or more" in outage_sentence(dry, clock)


def test_the_sentence_names_all_and_the_first() -> None:
    basis = OutageBasis(2860.0, 45.0, battery_wh=120.0, battery_load_w=60.0)
    sentence = outage_sentence(basis, outage_clock(basis, NOW))
    assert sentence.startswith(
        "Not before (lower bounds): oxygen critical (3 mg/L) in 3.2 h; 22 °C"
    )
    assert sentence.endswith("battery empty in 2.0 h. The battery first.")


@settings(deadline=None)
@given(st.floats(15, 35), st.floats(5, 35), st.floats(0, 12), st.floats(0.05, 3), st.floats(0, 2))
def test_oxygen_is_a_lower_bound_whatever_the_surface_lets_through(
    water: float, room: float, oxygen: float, uptake: float, transfer: float
) -> None:
    basis = OutageBasis(2860.0, 45.0, uptake_mg_l_h=uptake)
    clock = outage_clock(basis, OutageNow(water, room, oxygen_mg_l=oxygen))
    assert 0.0 <= clock.oxygen_h <= LONGEST_H
    saturation = saturation_mg_L(35.0, water)
    if 3.0 < oxygen <= saturation:
        then = oxygen_after(clock.oxygen_h, oxygen, saturation, uptake, transfer)
        assert then >= 3.0 - 1e-6
