import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from support.references import seawater

from weirwatch.water.salinity import (
    conductivity_25,
    conductivity_mS_cm,
    density_kg_m3,
    practical_salinity,
    refractive_index,
    salinity_from_conductivity_25,
    salinity_from_specific_gravity,
    specific_gravity,
    undo_linear_compensation,
)

EOS80 = seawater()
salt = st.floats(2.001, 41.999)
cool = st.floats(-2, 35)
warm = st.floats(0, 40)


@given(salt, cool)
def test_salinity_inverts_conductivity(salinity: float, t: float) -> None:
    assert practical_salinity(conductivity_mS_cm(salinity, t), t) == pytest.approx(
        salinity, abs=1e-6
    )


@given(salt)
def test_salinity_inverts_conductivity_at_25(salinity: float) -> None:
    found = salinity_from_conductivity_25(conductivity_25(salinity))
    assert found == pytest.approx(salinity, abs=1e-6)


@given(st.floats(0, 42), warm, warm)
def test_salinity_inverts_specific_gravity(salinity: float, t: float, t_ref: float) -> None:
    sg = specific_gravity(salinity, t, t_ref)
    assert salinity_from_specific_gravity(sg, t, t_ref) == pytest.approx(salinity, abs=1e-7)


@given(salt, cool)
def test_pss78_of_two_libraries_is_one(salinity: float, t: float) -> None:
    c = conductivity_mS_cm(salinity, t)
    other = float(EOS80.salt(c / 42.914, t, 0).item())
    assert practical_salinity(c, t) == pytest.approx(other, abs=1e-6)


@given(st.floats(20, 42), st.floats(15, 32))
def test_density_agrees_with_eos80(salinity: float, t: float) -> None:
    # 0.01 kg/m³ is the distance between the two equations of state in this range.
    assert density_kg_m3(salinity, t) == pytest.approx(float(EOS80.dens0(salinity, t)), abs=0.01)


@given(st.floats(2, 41), st.floats(0.01, 1), cool)
def test_saltier_conducts_more_is_denser_and_refracts_more(s: float, more: float, t: float) -> None:
    assert conductivity_mS_cm(s + more, t) > conductivity_mS_cm(s, t)
    assert density_kg_m3(s + more, t) > density_kg_m3(s, t)
    assert refractive_index(min(s, 34), 20) < refractive_index(min(s, 34) + more, 20)


@given(st.floats(25, 42), st.floats(0, 39), st.floats(0.01, 1))
def test_warmer_conducts_more_and_is_lighter(s: float, t: float, more: float) -> None:
    assert density_kg_m3(s, t + more) < density_kg_m3(s, t)
    t = min(t, 34)
    assert conductivity_mS_cm(s, t + more) > conductivity_mS_cm(s, t)


@given(st.floats(20, 60), cool, st.floats(0, 0.03))
def test_undoing_inverts_a_meters_linear_compensation(raw: float, t: float, a: float) -> None:
    shown = raw / (1 + a * (t - 25))
    assume(shown <= 100)
    assert undo_linear_compensation(shown, t, a) == pytest.approx(raw)


def test_compensated_value_with_the_waters_temperature_is_a_known_trap() -> None:
    # A 25 °C-compensated 53.07 mS/cm fed in as raw at 27 °C would read a salinity 1.3 too low.
    wrong = practical_salinity(53.07103, 27)
    assert salinity_from_conductivity_25(53.07103) - wrong > 1.2


def test_reference_temperatures_of_hydrometers_differ_by_whole_units_of_salinity() -> None:
    pairs = [(15.56, 15.56), (20, 20), (25, 25), (25, 4)]
    all_of_them = [specific_gravity(35, t, t_ref) for t, t_ref in pairs]
    assert max(all_of_them) - min(all_of_them) == pytest.approx(0.0035, abs=0.0003)


@pytest.mark.parametrize("celsius", [15, 20, 25, 30])
def test_refraction_falls_by_a_ten_thousandth_per_kelvin(celsius: float) -> None:
    step = refractive_index(35, celsius) - refractive_index(35, celsius - 1)
    assert -1.5e-4 < step < -0.5e-4  # about −1.1e-4 per kelvin: Quan & Fry 1995


@pytest.mark.parametrize(
    ("call", "argument"),
    [
        (lambda: practical_salinity(0.3, 25), "S of 0.3 mS/cm"),  # in air, or fresh water
        (lambda: practical_salinity(70, 25), "S of 70 mS/cm"),
        (lambda: practical_salinity(53, 35.1), "t_degC"),
        (lambda: practical_salinity(53, -2.1), "t_degC"),
        (lambda: conductivity_mS_cm(1.99, 25), "S"),
        (lambda: conductivity_25(42.1), "S"),
        (lambda: density_kg_m3(-0.1, 25), "S"),
        (lambda: density_kg_m3(35, 40.1), "t_degC"),
        (lambda: density_kg_m3(0, -0.1), "t_degC"),
        (lambda: specific_gravity(35, 25, -0.1), "t_ref_degC"),
        (lambda: salinity_from_specific_gravity(0.99, 25, 25), "sg"),
        (lambda: salinity_from_specific_gravity(1.05, 25, 25), "sg"),
        (lambda: refractive_index(35.1, 25), "S"),
        (lambda: refractive_index(35, 30.1), "t_degC"),
        (lambda: refractive_index(35, 25, 399), "wavelength_nm"),
        (lambda: undo_linear_compensation(53, 25, 0.031), "a_per_K"),
    ],
)
def test_outside_the_published_range_is_refused(call: object, argument: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=rf"^{argument}.* is outside "):
        call()
