"""The figures on the cards, worked out again with reference libraries and published formulas."""

import math

import gsw
import PyCO2SYS
import pytest

from weirwatch.config.catalogue import load_catalogue

CARDS = {ident: failure.card for ident, failure in load_catalogue().failures.items()}
S, AIR = 35.0, 400.0  # practical salinity; CO2 in µatm


def said(words: str, figure: float, claimed: float, tolerance: float) -> None:
    """The words stand on some card or source, and their figure is right."""
    everything = " ".join(
        text for card in CARDS.values() for text in (card.meaning, *card.response, *card.sources)
    ) + " ".join(hazard.text for card in CARDS.values() for hazard in card.hazards)
    assert words in everything
    assert figure == pytest.approx(claimed, abs=tolerance)


def sea(**known: float) -> dict[str, float]:
    """Carbonate system after Lueker et al. 2000 at 25 °C, by PyCO2SYS."""
    result = PyCO2SYS.sys(**known, salinity=S, temperature=25.0, opt_k_carbonic=10)
    return {key: float(result[key]) for key in ("pH_total", "pH_nbs", "dic", "k_ammonia")}


def test_oxygen_that_warm_sea_water_holds() -> None:
    # Garcia & Gordon 1992 by gsw; µmol/kg → mg/L with the molar mass of O2
    reference = gsw.SR_from_SP(S)
    density = float(gsw.rho_t_exact(reference, 26.0, 0.0)) / 1000
    held = float(gsw.O2sol_SP_pt(S, 26.0)) * density * 31.9988e-3
    said("6.7 mg/L at 26 °C", held, 6.7, 0.05)


def test_heat_of_a_stuck_heater_and_of_a_cold_room() -> None:
    capacity = 3.0 * 1023.3 * float(gsw.cp_t_exact(gsw.SR_from_SP(S), 25.0, 0.0))  # J/°C, 3 m³
    said("up to 0.18 °C an hour", 600 / capacity * 3600, 0.18, 0.005)
    said("up to 0.2 °C an hour", 600 / capacity * 3600, 0.2, 0.05)
    said("by 10 °C in the end", 600 / 60, 10, 1e-9)
    tau_h = capacity / 60 / 3600
    said("time constant of 57 hours", tau_h, 57, 0.5)
    assert "more than a day to fall from 26 to 22 °C in a room at 18 °C" in " ".join(
        card.meaning for card in CARDS.values()
    )
    assert 24 < tau_h * math.log((26 - 18) / (22 - 18)) < 48


def test_cooling_by_evaporation() -> None:
    latent = float(gsw.latentheat_evap_t(0.0, 25.0))  # J/kg
    said("each kilogram evaporated a day takes away 28 W", latent / 86_400, 28, 0.5)


def test_water_that_drains_back() -> None:
    # Francis 1883, suppressed weir (USBR Water Measurement Manual ch. 7): Q = 1.84 L H^1.5, SI
    head = (6.0 / 3600 / 1.84) ** (2 / 3)  # m, over a crest of 1 m
    said("holds about 19 L above the crest of 2 m²", head * 2 * 1000, 19, 0.5)
    said("25 mm lower adds 50 L", 0.025 * 2 * 1000, 50, 1e-9)


def test_ph_by_room_air() -> None:
    fresh = sea(par1=2500.0, par1_type=1, par2=AIR, par2_type=4)["pH_total"]
    stale = sea(par1=2500.0, par1_type=1, par2=1000.0, par2_type=4)["pH_total"]
    said("the equilibrium pH falls by 0.34", fresh - stale, 0.34, 0.005)
    said("the pH falls by about 0.3", fresh - stale, 0.3, 0.05)


def test_ph_by_dosing_before_the_air_evens_it_out() -> None:
    before = sea(par1=2500.0, par1_type=1, par2=8.0, par2_type=3)
    limed = sea(par1=3000.0, par1_type=1, par2=before["dic"], par2_type=2)
    said("lifts pH from 8.00 to 8.52", limed["pH_total"], 8.52, 0.005)
    alkalinity = 1000 / 2.804 / 1.0233  # 1 dKH in µmol/kg
    soda = sea(
        par1=2500.0 + alkalinity, par1_type=1, par2=before["dic"] + alkalinity / 2, par2_type=2
    )
    said("soda ash worth 1 dKH lifts pH by 0.2 at once", soda["pH_total"] - 8.0, 0.2, 0.01)


@pytest.mark.parametrize(("ph_nbs", "percent", "words"), [(7.8, 2.6, "2.6 %"), (8.4, 9.4, "9.4 %")])
def test_free_share_of_ammonia(ph_nbs: float, percent: float, words: str) -> None:
    # Clegg & Whitfield 1995 by PyCO2SYS, on the total scale; pH given on the NBS scale
    water = sea(par1=2500.0, par1_type=1, par2=8.0, par2_type=3)
    ph_total = ph_nbs - (water["pH_nbs"] - water["pH_total"])
    share = 100 / (1 + 10 ** (-math.log10(water["k_ammonia"]) - ph_total))
    said(words, share, percent, 0.06)
