"""The grid of constants and the quick pH against `weirwatch.water`, PyCO2SYS and published rows."""

import itertools

import PyCO2SYS
import pytest
from support.references import seawater

from weirsim.sea import Sea, sea
from weirwatch.water.ammonia import unionised_fraction
from weirwatch.water.carbonate import aragonite_saturation, dic_from_alkalinity_ph
from weirwatch.water.oxygen import saturation_mg_L

PLACES = [(35.0, 25.0), (33.37, 22.61), (36.5, 29.5), (30.2, 18.4)]


def hydrogen(constants: Sea, alkalinity_umol_kg: float, dic_umol_kg: float) -> float:
    per_m3 = constants.kg_m3 * 1e-6
    return constants.hydrogen(alkalinity_umol_kg * per_m3, dic_umol_kg * per_m3, 1e-8)


@pytest.mark.parametrize(("salinity", "degc"), PLACES)
@pytest.mark.parametrize(
    ("alkalinity", "dic"),
    [(2300.0, 2000.0), (2500.0, 2400.0), (3500.0, 2600.0), (9000.0, 10_500.0)],
)
def test_ph_carbon_dioxide_and_aragonite_are_those_of_pyco2sys(
    salinity: float, degc: float, alkalinity: float, dic: float
) -> None:
    """PyCO2SYS with the options of `water.equilibrium`; between the nodes of the grid too."""
    full = PyCO2SYS.sys(
        par1=alkalinity, par1_type=1, par2=dic, par2_type=2, salinity=salinity, temperature=degc,
        opt_k_carbonic=10, opt_total_borate=1, opt_k_bisulfate=1,
    )  # fmt: skip
    constants = sea(salinity, degc)
    h = hydrogen(constants, alkalinity, dic)
    per_m3 = constants.kg_m3 * 1e-6
    assert constants.ph_nbs(h) == pytest.approx(float(full["pH_nbs"]), abs=2e-4)
    pco2_uatm = constants.dissolved_co2(h, dic * per_m3) / constants.kg_m3 / constants.k0 * 1e6
    assert pco2_uatm == pytest.approx(float(full["pCO2"]), rel=1e-3)
    omega = constants.saturation(h, dic * per_m3, 0.01028 * salinity / 35.0 * constants.kg_m3)
    assert omega == pytest.approx(float(full["saturation_aragonite"]), rel=2e-3)


@pytest.mark.parametrize(("salinity", "degc"), PLACES)
def test_oxygen_ammonia_and_density_are_those_of_the_water_functions(
    salinity: float, degc: float
) -> None:
    constants = sea(salinity, degc)
    assert constants.oxygen_mg_l == pytest.approx(saturation_mg_L(salinity, degc), abs=1e-3)
    h = constants.hydrogen_at(8.2)
    fraction = unionised_fraction(8.2, salinity, degc, "nbs")
    assert constants.unionised(h) == pytest.approx(fraction, rel=1e-3)


def test_oxygen_is_that_of_weiss_within_one_per_cent() -> None:
    """Weiss 1970 through the seawater library, ml/L of gas at STP: 44.661 µmol/ml."""
    for salinity, degc in PLACES:
        ml_l = float(seawater().satO2(salinity, degc * 1.00024))
        assert sea(salinity, degc).oxygen_mg_l == pytest.approx(
            ml_l * 44.661 * 31.9988e-3, rel=0.01
        )


@pytest.mark.parametrize(
    ("added", "carbon_share", "ph_total"),
    [(356.6 / 1.02334, 1.0, 7.955), (356.6 / 1.02334, 0.5, 8.197), (500.0, 0.0, 8.522)],
)
def test_doses_move_the_ph_as_published(added: float, carbon_share: float, ph_total: float) -> None:
    """Rows 4.23 to 4.25 of the check values: pH_T 8.0, TA 2500, closed to air (PyCO2SYS)."""
    constants = sea(35.0, 25.0)
    dic = dic_from_alkalinity_ph(2500.0, 8.0, 35.0, 25.0, "total")
    h = hydrogen(constants, 2500.0 + added, dic + carbon_share * added)
    ph = constants.ph_nbs(h * 1.0) - constants.ph_nbs(1.0)
    assert ph == pytest.approx(ph_total, abs=0.003)


def test_a_reactor_chamber_has_the_gas_pressure_of_the_published_row() -> None:
    """Row 4.20: pH_T 6.6 and TA 7500 µmol/kg are 46 392 µatm of carbon dioxide."""
    constants = sea(35.0, 25.0)
    h = 10.0**-6.6
    carbon = constants.carbon_at(7500e-6 * constants.kg_m3, h)
    pco2 = constants.dissolved_co2(h, carbon) / constants.kg_m3 / constants.k0 * 1e6
    assert pco2 == pytest.approx(46392.0, abs=150.0)


def test_carbon_and_hydrogen_are_each_others_inverse_from_any_guess() -> None:
    constants = sea(35.0, 25.0)
    for ph, guess in itertools.product((5.5, 6.5, 8.0, 9.5), (1e-4, 1e-8, 1e-11)):
        h = constants.hydrogen_at(ph)
        carbon = constants.carbon_at(2.8, h)
        assert constants.ph_nbs(constants.hydrogen(2.8, carbon, guess)) == pytest.approx(ph)


def test_aragonite_of_the_carbonate_functions() -> None:
    """Row 4.17 and its function, with sea water's own calcium."""
    constants = sea(35.0, 25.0)
    expected = aragonite_saturation(2500.0, 8.0738, 35.0, 25.0, "total")
    h = 10.0**-8.0738
    carbon = constants.carbon_at(2500e-6 * constants.kg_m3, h)
    found = constants.saturation(h, carbon, 0.0102821 * constants.kg_m3)
    assert found == pytest.approx(expected, rel=2e-3)


def test_it_is_held_at_the_ends_of_the_grid() -> None:
    assert sea(0.0, 25.0) == sea(5.0, 25.0)
    assert sea(35.0, 80.0) == sea(35.0, 38.99)
