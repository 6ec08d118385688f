from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from weirwatch.water.carbonate import (
    Dose,
    aragonite_saturation,
    caco3_mg_L_to_dkh,
    caco3_mg_L_to_meq_L,
    convert_ph,
    dic_from_alkalinity_ph,
    dkh_to_caco3_mg_L,
    dkh_to_meq_L,
    dkh_to_umol_kg,
    meq_L_to_caco3_mg_L,
    meq_L_to_dkh,
    meq_L_to_umol_kg,
    normalise_to_35,
    pco2_from_alkalinity_ph,
    pco2_from_room_ppm,
    ph_after_dose,
    ph_from_alkalinity_dic,
    ph_from_alkalinity_pco2,
    umol_kg_to_dkh,
    umol_kg_to_meq_L,
)
from weirwatch.water.ph_probe import Scale

slow = settings(max_examples=40)  # each asks PyCO2SYS for its constants
alkalinity = st.floats(1000, 8000)
salt = st.floats(20, 40)
warm = st.floats(2, 35)
ph = st.floats(6.6, 8.8)
scales = st.sampled_from(["nbs", "total", "free"])
meq = st.floats(0, 60)
NO_SCALE: Any = "sws"
NO_DOSE: Any = "acid"


@given(meq, salt, warm)
def test_units_of_alkalinity_come_back(value: float, s: float, t: float) -> None:
    assert dkh_to_meq_L(meq_L_to_dkh(value)) == pytest.approx(value)
    assert caco3_mg_L_to_meq_L(meq_L_to_caco3_mg_L(value)) == pytest.approx(value)
    assert caco3_mg_L_to_dkh(dkh_to_caco3_mg_L(value)) == pytest.approx(value)
    assert umol_kg_to_meq_L(meq_L_to_umol_kg(value, s, t), s, t) == pytest.approx(value)
    assert umol_kg_to_dkh(dkh_to_umol_kg(value, s, t), s, t) == pytest.approx(value)


def test_forgetting_the_density_would_be_two_per_cent() -> None:
    assert 2500 / meq_L_to_umol_kg(2.5, 35, 25) == pytest.approx(1.0233, abs=0.0001)


@given(alkalinity, ph, salt, warm, scales)
@slow
def test_ph_and_gas_invert_each_other(
    ta: float, value: float, s: float, t: float, scale: Scale
) -> None:
    gas = pco2_from_alkalinity_ph(ta, value, s, t, scale)
    assert ph_from_alkalinity_pco2(ta, gas, s, t, scale) == pytest.approx(value, abs=1e-8)


@given(alkalinity, ph, salt, warm, scales)
@slow
def test_ph_and_carbon_invert_each_other(
    ta: float, value: float, s: float, t: float, scale: Scale
) -> None:
    dic = dic_from_alkalinity_ph(ta, value, s, t, scale)
    assert ph_from_alkalinity_dic(ta, dic, s, t, scale) == pytest.approx(value, abs=1e-8)


@given(ph, salt, warm, scales, scales)
@slow
def test_scales_come_back(value: float, s: float, t: float, source: Scale, target: Scale) -> None:
    there = convert_ph(value, s, t, source, target)
    assert convert_ph(there, s, t, target, source) == pytest.approx(value, abs=1e-12)


@given(salt, warm)
@slow
def test_scales_are_in_order(s: float, t: float) -> None:
    assert convert_ph(8.0, s, t, "total", "free") > 8.0
    assert convert_ph(8.0, s, t, "total", "nbs") > 8.0


def test_nbs_is_0_137_above_total() -> None:
    # PyCO2SYS' fH at S 35, 25 °C (Takahashi et al. 1982).
    assert convert_ph(8.0, 35, 25, "total", "nbs") == pytest.approx(8.137, abs=0.0005)


@pytest.mark.parametrize("ta", [2300, 2500, 2788.4])
def test_room_air_at_1000_ppm_lowers_ph_by_a_third_of_a_unit(ta: float) -> None:
    # Rows 4.4 to 4.15: 0.34 at each alkalinity.
    drop = ph_from_alkalinity_pco2(ta, 400, 35, 25, "total") - ph_from_alkalinity_pco2(
        ta, 1000, 35, 25, "total"
    )
    assert drop == pytest.approx(0.338, abs=0.004)


def test_warm_water_is_sourer_by_itself() -> None:
    # −0.076 for 5 K at constant alkalinity and carbon: common knowledge of sea-water chemistry,
    # −0.015 per kelvin (Dickson, Sabine & Christian 2007, from memory).
    dic = dic_from_alkalinity_ph(2500, 8.0, 35, 25, "total")
    assert ph_from_alkalinity_dic(2500, dic, 35, 30, "total") == pytest.approx(7.924, abs=0.003)


@pytest.mark.parametrize(("ppm", "uatm"), [(400, 388), (1000, 969)])
def test_room_air_loses_its_water_vapour_share(ppm: float, uatm: float) -> None:
    # 1 − 0.031 atm of water vapour at 25 °C.
    assert pco2_from_room_ppm(ppm, 35, 25) == pytest.approx(uatm, abs=1)


def test_doses_rank_by_the_carbon_they_bring() -> None:
    def after(dose: Dose) -> float:
        return ph_after_dose(2500, 8.0, 35, 25, "total", 350, dose)

    assert after("bicarbonate") < 8.0 < after("carbonate") < after("hydroxide")
    assert ph_after_dose(2500, 8.137, 35, 25, "nbs", 0, "carbonate") == pytest.approx(8.137)


def test_lime_water_of_a_whole_meq() -> None:
    # 1.0 meq/kg moves pH 8.0 to 8.87 (PyCO2SYS 1.8.3).
    assert ph_after_dose(2500, 8.0, 35, 25, "total", 1000, "hydroxide") == pytest.approx(
        8.87, abs=0.01
    )


def test_measured_calcium_scales_aragonite() -> None:
    usual = aragonite_saturation(2500, 8.0, 35, 25, "total")
    at_412 = aragonite_saturation(2500, 8.0, 35, 25, "total", calcium_mg_L=421.8)
    assert at_412 == pytest.approx(usual, rel=0.002)  # 10.28 mmol/kg × 40.078 × 1.0233
    half = aragonite_saturation(2500, 8.0, 35, 25, "total", calcium_mg_L=210.9)
    assert half == pytest.approx(at_412 / 2)


def test_normalised_to_35() -> None:
    assert normalise_to_35(400, 33) == pytest.approx(424.24, abs=0.01)
    assert normalise_to_35(400, 35) == 400


@pytest.mark.parametrize(
    ("call", "argument"),
    [
        (lambda: ph_from_alkalinity_pco2(2500, 400, 18.9, 25, "total"), "S = 18.9"),
        (lambda: ph_from_alkalinity_pco2(2500, 400, 43.1, 25, "total"), "S = 43.1"),
        (lambda: ph_from_alkalinity_pco2(2500, 400, 19.9, 25, "nbs"), "S = 19.9"),
        (lambda: ph_from_alkalinity_pco2(2500, 400, 35, 1.9, "total"), "t_degC = 1.9"),
        (lambda: ph_from_alkalinity_pco2(2500, 400, 35, 35.1, "total"), "t_degC = 35.1"),
        (lambda: ph_from_alkalinity_pco2(8.0, 400, 35, 25, "total"), "alkalinity_umol_kg = 8"),
        (lambda: ph_from_alkalinity_pco2(2500, 0.0, 35, 25, "total"), "pco2_uatm = 0"),
        (lambda: pco2_from_alkalinity_ph(2500, 4.9, 35, 25, "total"), "ph = 4.9"),
        (
            lambda: pco2_from_alkalinity_ph(250, 9.5, 35, 25, "total"),
            "alkalinity = 250 µmol/kg is too low",
        ),
        (lambda: pco2_from_alkalinity_ph(2500, 8, 35, 25, NO_SCALE), "scale = 'sws'"),
        (lambda: ph_after_dose(2500, 8, 35, 25, "nbs", 1, NO_DOSE), "dose = 'acid'"),
        (lambda: meq_L_to_dkh(60.1), "alkalinity_meq_L = 60.1"),
        (lambda: pco2_from_room_ppm(0.04, 35, 25), "co2_ppm = 0.04"),
    ],
)
def test_outside_the_range_is_refused(call: object, argument: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=rf"^{argument}"):
        call()
