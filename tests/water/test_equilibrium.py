import math

import PyCO2SYS
import pytest
from hypothesis import given
from hypothesis import strategies as st

from weirwatch.water.equilibrium import equilibrium, scale_shift

SEA = equilibrium(35.0, 25.0)
ph = st.floats(6, 9)
alkalinity = st.floats(1e-3, 8e-3)


# The whole of PyCO2SYS beside our few equations, at the corners of a keeper's world.
@pytest.mark.parametrize(
    ("ta", "ph_total", "salinity", "t"),
    [
        (2500, 8.0, 35, 25),
        (2300, 7.6, 30, 20),
        (3200, 8.4, 38, 28),
        (7500, 6.6, 35, 25),
        (1500, 8.2, 20, 3),
        (2500, 8.05, 42, 34),
    ],
)
def test_pyco2sys_in_full_says_the_same(
    ta: float, ph_total: float, salinity: float, t: float
) -> None:
    full = PyCO2SYS.sys(
        par1=ta,
        par2=ph_total,
        par1_type=1,
        par2_type=3,
        salinity=salinity,
        temperature=t,
        opt_k_carbonic=10,
        opt_total_borate=1,
        opt_buffers_mode=0,
    )
    sea = equilibrium(salinity, t)
    dic = sea.dic(ph_total, ta * 1e-6)
    assert dic * 1e6 == pytest.approx(full["dic"], rel=1e-9)
    assert sea.pco2(ph_total, dic) * 1e6 == pytest.approx(full["pCO2"], rel=1e-9)
    assert sea.carbonate_ion(ph_total, dic) * 1e6 == pytest.approx(full["carbonate"], rel=1e-9)
    omega = sea.calcium * sea.carbonate_ion(ph_total, dic) / sea.k_aragonite
    assert omega == pytest.approx(full["saturation_aragonite"], rel=1e-9)
    assert ph_total + scale_shift(sea, "free") == pytest.approx(full["pH_free"], abs=1e-9)
    assert ph_total + scale_shift(sea, "nbs") == pytest.approx(full["pH_nbs"], abs=1e-9)
    assert scale_shift(sea, "total") == 0.0


@given(ph, alkalinity)
def test_each_pair_gives_the_ph_back(ph_total: float, ta: float) -> None:
    dic = SEA.dic(ph_total, ta)
    assert SEA.alkalinity(ph_total, dic) == pytest.approx(ta, rel=1e-12)
    assert SEA.ph_from_dic(ta, dic) == pytest.approx(ph_total, abs=1e-9)
    assert SEA.ph_from_pco2(ta, SEA.pco2(ph_total, dic)) == pytest.approx(ph_total, abs=1e-9)


@given(ph, alkalinity, st.floats(1.01, 2))
def test_more_gas_is_sourer_and_more_alkalinity_less_sour(
    ph_total: float, ta: float, more: float
) -> None:
    gas = SEA.pco2(ph_total, SEA.dic(ph_total, ta))
    assert SEA.ph_from_pco2(ta, gas * more) < ph_total
    assert SEA.ph_from_pco2(ta * more, gas) > ph_total


def test_alkalinity_too_low_for_a_ph_is_refused() -> None:
    with pytest.raises(ValueError, match=r"too low for pH 9.5 \(total\)"):
        SEA.dic(9.5, 2e-4)


def test_no_ph_fits() -> None:
    with pytest.raises(ValueError, match="no pH in 3 to 12"):
        SEA.ph_from_dic(0.5, 1e-4)


def test_unknown_scale_is_refused() -> None:
    with pytest.raises(ValueError, match="'seawater' is not one of nbs, total, free"):
        scale_shift(SEA, "seawater")


@pytest.mark.parametrize(
    ("salinity", "t"), [(-0.1, 25), (45.1, 25), (35, -2.1), (35, 45.1), (math.nan, 25)]
)
def test_outside_the_range_is_refused(salinity: float, t: float) -> None:
    with pytest.raises(ValueError, match="is outside"):
        equilibrium(salinity, t)
