from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.references import johansson_wedborg_pk

from weirwatch.water.ammonia import (
    ammonium_pk,
    unionised_fraction,
    unionised_fraction_fresh,
    unionised_mg_L,
)
from weirwatch.water.carbonate import convert_ph
from weirwatch.water.ph_probe import Scale

slow = settings(max_examples=40)
salt = st.floats(20, 40)
warm = st.floats(5, 25)
NO_SCALE: Any = "sws"


@given(st.floats(7, 9), salt, st.floats(5, 34), st.sampled_from(["nbs", "free"]))
@slow
def test_the_scale_changes_the_number_of_ph_but_not_the_ammonia(
    ph_total: float, s: float, t: float, scale: Scale
) -> None:
    other = convert_ph(ph_total, s, t, "total", scale)
    expected = unionised_fraction(ph_total, s, t, "total")
    assert unionised_fraction(other, s, t, scale) == pytest.approx(expected, rel=1e-9)


@given(salt, warm)
@slow
def test_free_scale_agrees_with_johansson_and_wedborg(s: float, t: float) -> None:
    # Recommended by Bell et al. 2007/2008; another laboratory, another method: 0.03 in pK.
    assert ammonium_pk(s, t, "free") == pytest.approx(johansson_wedborg_pk(s, t), abs=0.03)


# Examples of ammFrac in the R package wq: total scale on a molal basis, which is 3.6 % larger at
# S 35 (1 − 0.001005 S); at S 0 the two are the same.
@pytest.mark.parametrize(
    ("ph", "t", "s", "scale", "molal_fraction"),
    [
        (8.0, 25, 35, "total", 0.0556),
        (8.0, 25, 35, "free", 0.0440),
        (7.8, 25, 35, "total", 0.0358),
        (7.8, 25, 35, "free", 0.0282),
        (8.0, 25, 0, "total", 0.0539),
        (8.0, 10, 0, "total", 0.0183),
    ],
)
def test_another_package_agrees_but_for_its_basis(
    ph: float, t: float, s: float, scale: Scale, molal_fraction: float
) -> None:
    ratio = molal_fraction / (1 - molal_fraction) * (1 - 0.001005 * s)
    assert unionised_fraction(ph, s, t, scale) == pytest.approx(ratio / (1 + ratio), rel=0.003)


@given(st.floats(6, 9.5), st.floats(5, 40), st.floats(0, 39), st.floats(0.05, 0.5))
@slow
def test_more_ph_or_warmth_is_more_ammonia(ph: float, s: float, t: float, more: float) -> None:
    here = unionised_fraction(ph, s, t, "total")
    assert 0 < here < 1
    assert unionised_fraction(ph + more, s, t, "total") > here
    assert unionised_fraction(ph, s, t + more, "total") > here


@given(st.floats(6, 9), st.floats(0, 29), st.floats(0.05, 0.5))
def test_fresh_water_rises_alike(ph: float, t: float, more: float) -> None:
    here = unionised_fraction_fresh(ph, t)
    assert unionised_fraction_fresh(ph + more, t) > here
    assert unionised_fraction_fresh(ph, t + more) > here


@pytest.mark.parametrize("t", [5, 10, 15, 20, 25])
def test_fresh_water_of_two_sources_agrees(t: float) -> None:
    # Emerson et al. 1975 beside Clegg & Whitfield 1995 at S 0.
    expected = unionised_fraction(8.0, 0, t, "total")
    assert unionised_fraction_fresh(8.0, t) == pytest.approx(expected, rel=0.02)


def test_taking_a_probes_ph_for_total_scale_overstates_the_poison_by_a_third() -> None:
    wrong = unionised_fraction(8.2, 35, 25, "total")
    assert wrong / unionised_fraction(8.2, 35, 25, "nbs") == pytest.approx(1.34, abs=0.02)


def test_amount_is_the_fraction_of_the_test() -> None:
    assert unionised_mg_L(0.2, 8.2, 35, 25, "nbs") == pytest.approx(0.2 * 0.0616, abs=1e-4)


@pytest.mark.parametrize(
    ("call", "argument"),
    [
        (lambda: unionised_fraction(10.1, 35, 25, "nbs"), "ph = 10.1"),
        (lambda: unionised_fraction(8, 40.1, 25, "total"), "S = 40.1"),
        (lambda: unionised_fraction(8, 19.9, 25, "nbs"), "S = 19.9"),
        (lambda: unionised_fraction(8, 4.9, 25, "free"), "S = 4.9"),
        (lambda: unionised_fraction(8, 35, -2.1, "total"), "t_degC = -2.1"),
        (lambda: unionised_fraction(8, 35, 25, NO_SCALE), "scale = 'sws'"),
        (lambda: unionised_fraction_fresh(8, 30.1), "t_degC = 30.1"),
        (lambda: unionised_mg_L(100.1, 8, 35, 25, "nbs"), "total_mg_L = 100.1"),
    ],
)
def test_outside_the_range_is_refused(call: object, argument: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=rf"^{argument}"):
        call()
