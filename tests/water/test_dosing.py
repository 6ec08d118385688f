from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from weirwatch.water.carbonate import dkh_to_meq_L
from weirwatch.water.dosing import (
    CALCIUM_MG_PER_DKH,
    Substance,
    alkalinity_from_grams_dkh,
    calcium_from_grams_mg_L,
    calcium_with_alkalinity_mg_L,
    carbonate_mass_g,
    grams_for_alkalinity,
    grams_for_calcium,
    guard_dose,
    limewater_alkalinity_meq_L,
    limewater_dkh,
    two_part_equivalent,
)

rise = st.floats(0, 20)
volume = st.floats(50, 20_000)
carriers: st.SearchStrategy[Substance] = st.sampled_from(
    ["sodium-bicarbonate", "sodium-carbonate", "calcium-hydroxide"]
)
calcium_carriers: st.SearchStrategy[Substance] = st.sampled_from(
    ["calcium-hydroxide", "calcium-chloride-dihydrate", "calcium-chloride"]
)
NO_SUBSTANCE: Any = "salt"


@given(carriers, rise, volume)
def test_grams_and_alkalinity_invert_each_other(
    substance: Substance, dkh: float, litres: float
) -> None:
    grams = grams_for_alkalinity(substance, dkh, litres)
    assert alkalinity_from_grams_dkh(substance, grams, litres) == pytest.approx(dkh)


@given(calcium_carriers, st.floats(0, 200), volume)
def test_grams_and_calcium_invert_each_other(
    substance: Substance, calcium: float, litres: float
) -> None:
    grams = grams_for_calcium(substance, calcium, litres)
    assert calcium_from_grams_mg_L(substance, grams, litres) == pytest.approx(calcium)


@given(rise, volume)
def test_two_part_is_balanced_like_the_skeleton_it_becomes(dkh: float, litres: float) -> None:
    pair = two_part_equivalent(dkh, litres)
    chloride = pair.calcium_chloride_dihydrate_g
    calcium = calcium_from_grams_mg_L("calcium-chloride-dihydrate", chloride, litres)
    assert calcium == pytest.approx(calcium_with_alkalinity_mg_L(dkh))
    assert pair.calcium_mg_L == pytest.approx(CALCIUM_MG_PER_DKH * dkh)
    soda = alkalinity_from_grams_dkh("sodium-carbonate", pair.carbonate_g, litres)
    assert soda == pytest.approx(dkh)


@given(rise, volume)
def test_masses_of_the_whole_equation_balance(dkh: float, litres: float) -> None:
    # CaCl2·2H2O + 2 NaHCO3 → CaCO3 + 2 NaCl + CO2 + 3 H2O
    pair = two_part_equivalent(dkh, litres)
    mmol_calcium = dkh_to_meq_L(dkh) / 2 * litres
    left = carbonate_mass_g(dkh, litres) + pair.salt_left_mg_L * litres / 1000
    left += mmol_calcium * (44.010 + 3 * 18.0153) / 1000
    given_in = pair.bicarbonate_g + pair.calcium_chloride_dihydrate_g
    assert left == pytest.approx(given_in, rel=1e-4)


def test_bicarbonate_weighs_1_585_times_soda() -> None:
    pair = two_part_equivalent(1, 1000)
    assert pair.bicarbonate_g / pair.carbonate_g == pytest.approx(1.585, abs=0.001)


@given(st.floats(0, 100), volume, st.floats(0, 1))
def test_lime_water_is_calcium_hydroxide(litres: float, system: float, saturation: float) -> None:
    grams = limewater_alkalinity_meq_L(saturation) / 2 * 74.093 / 1000 * litres
    expected = alkalinity_from_grams_dkh("calcium-hydroxide", grams, system)
    assert limewater_dkh(litres, system, saturation) == pytest.approx(expected)


@given(st.floats(0, 5), st.floats(0, 20), st.floats(0, 5), st.floats(0, 3))
def test_a_guarded_dose_never_rises_too_fast_nor_too_high(
    dose: float, system: float, added: float, uptake: float
) -> None:
    verdict = guard_dose(dose, system, added, uptake, max_rise_dkh_day=0.5, ceiling_dkh=10.5)
    assert verdict.largest_dkh >= 0
    assert verdict.allowed == (dose <= verdict.largest_dkh)
    if verdict.allowed and dose > 0:
        assert added + dose - uptake <= 0.5 + 1e-9
        assert system + dose <= 10.5 + 1e-9


def test_the_guard_says_what_limits() -> None:
    fast = guard_dose(2.0, 7.0, added_last_day_dkh=0.5)
    assert not fast.allowed
    assert fast.reason == "it would rise more than 1 dKH in a day; at most 0.50 dKH now"
    high = guard_dose(0.8, 10.0)
    assert high.reason == "it would pass 10.5 dKH; at most 0.50 dKH now"
    assert guard_dose(0.4, 12.0).largest_dkh == 0.0
    assert guard_dose(0.4, 7.0).reason == ""


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: grams_for_alkalinity("calcium-chloride", 1, 100), "carries no alkalinity"),
        (lambda: grams_for_calcium("sodium-carbonate", 1, 100), "carries no calcium"),
        (lambda: alkalinity_from_grams_dkh(NO_SUBSTANCE, 1, 100), "'salt' is not one of sodium-b"),
        (lambda: grams_for_calcium("calcium-chloride", 1001, 100), "calcium_mg_L = 1001"),
        (lambda: limewater_alkalinity_meq_L(1.1), "saturation = 1.1"),
        (lambda: guard_dose(1, 31), "system_dkh = 31"),
        (lambda: guard_dose(1, 8, max_rise_dkh_day=3.1), "max_rise_dkh_day = 3.1"),
    ],
)
def test_bad_input_is_refused(call: object, message: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=message):
        call()
