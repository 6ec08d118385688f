"""What every water function promises: stated ranges, a plain number, and refusal of nonsense."""

import dataclasses
import importlib
import inspect
import math
import pkgutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import weirwatch.water
from weirwatch.water.consumption import Addition, HandTest, Supply
from weirwatch.water.ph_probe import Calibration
from weirwatch.water.power import Battery, Load
from weirwatch.water.reactor import Demand

HELPERS = {"fits", "ranges", "equilibrium"}  # used by the others; tested on their own
DOCS = Path(__file__).parents[2] / "docs" / "water.md"

PROBE = Calibration(98.0, 4.0)
DEMAND = Demand(8.0, 2500.0, 1.2, 0.4, 8.5)
BATTERY = Battery(12.0, 100.0, usable=0.5, efficiency=0.85)
HOURS = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]
COOLING = [26.0, 25.8, 25.6, 25.4, 25.2, 25.0]
ROOM = [18.0] * 6
TESTS = [HandTest(0.0, 8.0), HandTest(2.0, 7.5), HandTest(4.0, 7.1)]

# One valid call of every public function.
VALID: dict[str, dict[str, Any]] = {
    "salinity.practical_salinity": {"conductivity_mS_cm": 53.0, "t_degC": 25.0},
    "salinity.conductivity_mS_cm": {"S": 35.0, "t_degC": 25.0},
    "salinity.conductivity_25": {"S": 35.0},
    "salinity.salinity_from_conductivity_25": {"c25_mS_cm": 53.0},
    "salinity.undo_linear_compensation": {"c25_mS_cm": 53.0, "t_degC": 26.0, "a_per_K": 0.02},
    "salinity.density_kg_m3": {"S": 35.0, "t_degC": 25.0},
    "salinity.specific_gravity": {"S": 35.0, "t_degC": 25.0, "t_ref_degC": 25.0},
    "salinity.salinity_from_specific_gravity": {"sg": 1.026, "t_degC": 25.0, "t_ref_degC": 25.0},
    "salinity.refractive_index": {"S": 35.0, "t_degC": 25.0, "wavelength_nm": 589.3},
    "ph_probe.nernst_slope_mV": {"t_degC": 25.0},
    "ph_probe.buffer_ph": {"buffer": "borax", "t_degC": 25.0},
    "ph_probe.phthalate_ph": {"t_degC": 25.0},
    "ph_probe.tris_ph": {"S": 35.0, "t_degC": 25.0},
    "ph_probe.calibrate": {"points": [(7.0, 0.0), (4.0, 170.0)], "t_degC": 25.0},
    "ph_probe.with_one_point": {
        "calibration": PROBE, "ph": 8.09, "e_mV": -60.0, "t_degC": 25.0, "scale": "total",
    },
    "ph_probe.ph_from_mV": {"e_mV": -60.0, "t_degC": 26.0, "calibration": PROBE},
    "ph_probe.mV_from_ph": {"ph": 8.1, "t_degC": 26.0, "calibration": PROBE},
    "ph_probe.accept": {"calibration": PROBE, "age_days": 3.0, "response_s": 20.0},
    "ph_probe.ageing": {
        "days": [0.0, 30.0, 60.0], "slopes_percent": [99.0, 98.0, 97.0], "limit_percent": 90.0,
    },
    "oxygen.saturation_umol_kg": {"S": 35.0, "t_degC": 25.0},
    "oxygen.saturation_mg_L": {"S": 35.0, "t_degC": 25.0, "pressure_atm": 0.98},
    "oxygen.percent_saturation": {
        "oxygen_mg_L": 6.0, "S": 35.0, "t_degC": 25.0, "pressure_atm": 1.0,
    },
    "oxygen.umol_kg_to_mg_L": {"oxygen_umol_kg": 200.0, "S": 35.0, "t_degC": 25.0},
    "oxygen.ml_L_to_mg_L": {"oxygen_ml_L": 4.7},
    "oxygen.transfer_per_h": {"kL_cm_h": 2.0, "area_m2": 2.0, "volume_m3": 3.0},
    "oxygen.steady_oxygen_mg_L": {
        "saturation_mg_L": 6.65, "uptake_mg_L_h": 0.03, "transfer_per_h": 0.02,
    },
    "oxygen.oxygen_after": {
        "hours": 2.0, "oxygen_mg_L": 6.5, "saturation_mg_L": 6.65, "uptake_mg_L_h": 0.8,
        "transfer_per_h": 0.02,
    },
    "oxygen.hours_until_critical": {
        "oxygen_mg_L": 6.5, "critical_mg_L": 3.0, "saturation_mg_L": 6.65, "uptake_mg_L_h": 0.8,
        "transfer_per_h": 0.02,
    },
    "oxygen.uptake_from_decline": {
        "hours": HOURS, "oxygen_mg_L": [6.5, 6.3, 6.1, 5.9, 5.7, 5.5], "saturation_mg_L": 6.65,
        "transfer_per_h": 0.02,
    },
    "oxygen.schmidt_number": {"gas": "oxygen", "t_degC": 25.0},
    "oxygen.wind_transfer_cm_h": {"wind_m_s": 1.0, "schmidt": 445.0},
    "carbonate.meq_L_to_dkh": {"alkalinity_meq_L": 3.0},
    "carbonate.dkh_to_meq_L": {"alkalinity_dkh": 8.0},
    "carbonate.meq_L_to_caco3_mg_L": {"alkalinity_meq_L": 3.0},
    "carbonate.caco3_mg_L_to_meq_L": {"alkalinity_mg_L": 150.0},
    "carbonate.dkh_to_caco3_mg_L": {"alkalinity_dkh": 8.0},
    "carbonate.caco3_mg_L_to_dkh": {"alkalinity_mg_L": 150.0},
    "carbonate.meq_L_to_umol_kg": {"alkalinity_meq_L": 3.0, "S": 35.0, "t_degC": 25.0},
    "carbonate.umol_kg_to_meq_L": {"alkalinity_umol_kg": 2900.0, "S": 35.0, "t_degC": 25.0},
    "carbonate.dkh_to_umol_kg": {"alkalinity_dkh": 8.0, "S": 35.0, "t_degC": 25.0},
    "carbonate.umol_kg_to_dkh": {"alkalinity_umol_kg": 2900.0, "S": 35.0, "t_degC": 25.0},
    "carbonate.normalise_to_35": {"value": 420.0, "S": 36.0},
    "carbonate.convert_ph": {
        "ph": 8.1, "S": 35.0, "t_degC": 25.0, "source": "nbs", "target": "total",
    },
    "carbonate.ph_from_alkalinity_pco2": {
        "alkalinity_umol_kg": 2500.0, "pco2_uatm": 400.0, "S": 35.0, "t_degC": 25.0,
        "scale": "nbs",
    },
    "carbonate.pco2_from_alkalinity_ph": {
        "alkalinity_umol_kg": 2500.0, "ph": 8.1, "S": 35.0, "t_degC": 25.0, "scale": "nbs",
    },
    "carbonate.dic_from_alkalinity_ph": {
        "alkalinity_umol_kg": 2500.0, "ph": 8.1, "S": 35.0, "t_degC": 25.0, "scale": "nbs",
    },
    "carbonate.ph_from_alkalinity_dic": {
        "alkalinity_umol_kg": 2500.0, "dic_umol_kg": 2160.0, "S": 35.0, "t_degC": 25.0,
        "scale": "nbs",
    },
    "carbonate.aragonite_saturation": {
        "alkalinity_umol_kg": 2500.0, "ph": 8.1, "S": 35.0, "t_degC": 25.0, "scale": "nbs",
        "calcium_mg_L": 420.0,
    },
    "carbonate.ph_after_dose": {
        "alkalinity_umol_kg": 2500.0, "ph": 8.1, "S": 35.0, "t_degC": 25.0, "scale": "nbs",
        "added_umol_kg": 300.0, "dose": "bicarbonate",
    },
    "carbonate.pco2_from_room_ppm": {
        "co2_ppm": 600.0, "S": 35.0, "t_degC": 25.0, "pressure_atm": 1.0,
    },
    "ammonia.ammonium_pk": {"S": 35.0, "t_degC": 25.0, "scale": "nbs"},
    "ammonia.unionised_fraction": {"ph": 8.2, "S": 35.0, "t_degC": 25.0, "scale": "nbs"},
    "ammonia.unionised_mg_L": {
        "total_mg_L": 0.1, "ph": 8.2, "S": 35.0, "t_degC": 25.0, "scale": "nbs",
    },
    "ammonia.unionised_fraction_fresh": {"ph": 7.5, "t_degC": 20.0},
    "heat.heat_capacity_j_k": {"volume_m3": 3.0, "S": 35.0, "t_degC": 25.0},
    "heat.time_constant_h": {"heat_capacity_j_k": 1.2e7, "ua_w_k": 60.0},
    "heat.temperature_after": {
        "hours": 5.0, "t_start_degC": 26.0, "t_room_degC": 18.0, "time_constant_h": 57.0,
        "steady_rise_k": 2.0,
    },
    "heat.hours_until": {
        "t_target_degC": 22.0, "t_start_degC": 26.0, "t_room_degC": 18.0, "time_constant_h": 57.0,
        "steady_rise_k": 2.0,
    },
    "heat.heater_size_w": {"ua_w_k": 60.0, "rise_k": 8.0, "margin": 0.4},
    "heat.stuck_on_rate_k_h": {"power_w": 600.0, "heat_capacity_j_k": 1.2e7},
    "heat.stuck_on_rise_k": {"power_w": 600.0, "ua_w_k": 60.0},
    "heat.saturation_pressure_pa": {"t_degC": 25.0},
    "heat.sea_vapour_pressure_pa": {"S": 35.0, "t_degC": 25.0},
    "heat.latent_heat_kj_kg": {"S": 35.0, "t_degC": 25.0},
    "heat.evaporation_kg_day": {
        "area_m2": 4.0, "t_water_degC": 26.0, "t_air_degC": 24.0, "humidity_percent": 50.0,
        "air_speed_m_s": 0.1, "S": 35.0, "activity": 1.0, "latent_kj_kg": 2437.0,
    },
    "heat.evaporative_cooling_w": {"evaporation_kg_day": 20.0, "latent_kj_kg": 2437.0},
    "heat.loss_from_heater_duty": {
        "power_w": 600.0, "duty": 0.6, "t_water_degC": 26.0, "t_room_degC": 20.0,
        "other_heat_w": 50.0,
    },
    "heat.loss_from_cool_down": {
        "hours": HOURS, "t_water_degC": COOLING, "t_room_degC": ROOM, "heat_capacity_j_k": 1.2e7,
        "heat_in_w": 50.0,
    },
    "friction.friction_factor": {"reynolds": 5e4, "relative_roughness": 1e-4},
    "friction.churchill_friction_factor": {"reynolds": 5e4, "relative_roughness": 1e-4},
    "hydraulics.weir_flow_m3_s": {
        "head_m": 0.01, "crest_length_m": 1.0, "coefficient": 1.84, "end_contractions": 0,
    },
    "hydraulics.weir_head_m": {"flow_m3_s": 1.7e-3, "crest_length_m": 1.0, "coefficient": 1.84},
    "hydraulics.weir_coefficient": {"flow_m3_s": 1.7e-3, "head_m": 0.01, "crest_length_m": 1.0},
    "hydraulics.drain_back_l": {
        "head_m": 0.01, "area_m2": 2.0, "siphon_depth_m": 0.02, "pipe_l": 8.0,
    },
    "hydraulics.spare_margin_l": {
        "sump_rim_l": 420.0, "sump_working_l": 300.0, "drain_back_l": 60.0, "other_l": 12.0,
    },
    "hydraulics.orifice_flow_m3_s": {
        "head_m": 0.5, "area_m2": 1e-3, "discharge_coefficient": 0.61,
    },
    "hydraulics.siphon_drain_time_s": {
        "vessel_area_m2": 2.0, "opening_area_m2": 1e-3, "head_start_m": 1.0, "head_end_m": 0.9,
        "discharge_coefficient": 0.8,
    },
    "hydraulics.pump_head_m": {"flow_m3_s": 1.7e-3, "shutoff_head_m": 5.0, "k": 5e5},
    "hydraulics.pump_k": {"flow_m3_s": 1.7e-3, "head_m": 3.0, "shutoff_head_m": 5.0},
    "hydraulics.pipe_head_loss_m": {
        "flow_m3_s": 1.7e-3, "diameter_m": 0.04, "length_m": 6.0, "minor_k": 4.0,
        "roughness_m": 1.5e-6, "viscosity_m2_s": 9.4e-7,
    },
    "hydraulics.operating_point_m3_s": {
        "shutoff_head_m": 5.0, "k": 5e5, "static_head_m": 2.0, "diameter_m": 0.04, "length_m": 6.0,
        "minor_k": 4.0, "roughness_m": 1.5e-6, "viscosity_m2_s": 9.4e-7,
    },
    "hydraulics.quadratic_operating_point_m3_s": {
        "shutoff_head_m": 5.0, "k": 5e5, "static_head_m": 2.0, "system_k": 2e5,
    },
    "hydraulics.level_m_from_pressure": {"pressure_pa": 2500.0, "density_kg_m3": 1023.3},
    "hydraulics.flow_l_min_from_pulses": {"frequency_hz": 750.0, "pulses_per_l": 450.0},
    "hydraulics.turnover_per_h": {"flow_l_h": 6000.0, "volume_l": 2000.0},
    "dosing.calcium_with_alkalinity_mg_L": {"alkalinity_dkh": 1.0},
    "dosing.carbonate_mass_g": {"alkalinity_dkh": 1.0, "volume_l": 2500.0},
    "dosing.grams_for_alkalinity": {
        "substance": "sodium-carbonate", "alkalinity_dkh": 1.0, "volume_l": 2500.0,
    },
    "dosing.grams_for_calcium": {
        "substance": "calcium-chloride", "calcium_mg_L": 10.0, "volume_l": 2500.0,
    },
    "dosing.alkalinity_from_grams_dkh": {
        "substance": "sodium-carbonate", "grams": 20.0, "volume_l": 2500.0,
    },
    "dosing.calcium_from_grams_mg_L": {
        "substance": "calcium-chloride", "grams": 20.0, "volume_l": 2500.0,
    },
    "dosing.two_part_equivalent": {"alkalinity_dkh": 1.0, "volume_l": 2500.0},
    "dosing.limewater_alkalinity_meq_L": {"saturation": 0.9},
    "dosing.limewater_dkh": {"limewater_l": 10.0, "volume_l": 2500.0, "saturation": 0.9},
    "dosing.guard_dose": {
        "dose_dkh": 0.4, "system_dkh": 8.0, "added_last_day_dkh": 0.2, "consumption_dkh_day": 0.5,
        "max_rise_dkh_day": 1.0, "ceiling_dkh": 10.5,
    },
    "reactor.alkalinity_dkh_day": {
        "effluent_ml_min": 60.0, "effluent_dkh": 25.0, "system_dkh": 8.0, "volume_l": 2500.0,
    },
    "reactor.calcium_mg_L_day": {
        "effluent_ml_min": 60.0, "effluent_dkh": 25.0, "system_dkh": 8.0, "volume_l": 2500.0,
    },
    "reactor.effluent_needed_ml_min": {
        "demand_dkh_day": 2.0, "effluent_dkh": 30.0, "system_dkh": 8.0, "volume_l": 2500.0,
    },
    "reactor.effluent_needed_dkh": {
        "demand_dkh_day": 2.0, "effluent_ml_min": 150.0, "system_dkh": 8.0, "volume_l": 2500.0,
    },
    "reactor.consumption_from_balance_dkh_day": {"supply_dkh_day": 1.0, "trend_dkh_day": -0.1},
    "reactor.reactor_share": {"reactor_dkh_day": 0.6, "consumption_dkh_day": 1.2},
    "reactor.next_effluent_ml_min": {
        "now_ml_min": 60.0, "effluent_dkh": 25.0, "demand": DEMAND, "max_step": 0.2,
    },
    "reactor.next_gas": {
        "now": 20.0, "effluent_ml_min": 60.0, "effluent_dkh": 25.0, "chamber_ph": 6.7,
        "demand": DEMAND, "max_step": 0.1, "lowest_chamber_ph": 6.5,
    },
    "consumption.added_until": {"day": 2.0, "additions": [Addition(1.0, 0.5)]},
    "consumption.consumption": {"tests": TESTS, "supplies": [Supply(0.0, 0.2)], "noise": 0.1},
    "consumption.unexplained_steps": {"tests": TESTS, "per_day": 0.2, "limit": 0.5},
    "power.peukert_runtime_h": {
        "capacity_ah": 100.0, "current_a": 5.0, "peukert": 1.2, "rated_hours": 20.0,
    },
    "power.runtime_h": {"battery": BATTERY, "power_w": 60.0},
    "power.derated_capacity_ah": {"capacity_ah": 100.0, "t_degC": 10.0, "aged": 0.1},
    "power.what_can_run": {"battery": BATTERY, "loads": [Load("air", 10.0)]},
}  # fmt: skip


def public_functions() -> dict[str, Callable[..., Any]]:
    found: dict[str, Callable[..., Any]] = {}
    for module_info in pkgutil.iter_modules(weirwatch.water.__path__):
        if module_info.name in HELPERS:
            continue
        module = importlib.import_module(f"weirwatch.water.{module_info.name}")
        for name, function in inspect.getmembers(module, inspect.isfunction):
            if function.__module__ == module.__name__ and not name.startswith("_"):
                found[f"{module_info.name}.{name}"] = function
    return found


FUNCTIONS = public_functions()
NUMBERS = [
    (function, argument)
    for function, arguments in VALID.items()
    for argument, value in arguments.items()
    if isinstance(value, float)
]
RECORDS = [
    (function, argument, field.name)
    for function, arguments in VALID.items()
    for argument, value in arguments.items()
    if dataclasses.is_dataclass(value)
    for field in dataclasses.fields(value)
    if isinstance(getattr(value, field.name), float)
    if field.name != "residual_mV"  # reported, not used
]
SERIES = [
    (function, argument)
    for function, arguments in VALID.items()
    for argument, value in arguments.items()
    if isinstance(value, list) and isinstance(value[0], float)
]


def test_every_public_function_has_a_valid_call_here() -> None:
    assert sorted(VALID) == sorted(FUNCTIONS)


def finite_floats(result: object) -> bool:
    if isinstance(result, float):
        return type(result) is float and math.isfinite(result)
    if isinstance(result, list):
        return all(finite_floats(item) for item in result)
    if dataclasses.is_dataclass(result):
        values = [getattr(result, field.name) for field in dataclasses.fields(result)]
        return all(finite_floats(value) for value in values if isinstance(value, float))
    return False


@pytest.mark.parametrize("name", VALID)
def test_valid_input_gives_plain_finite_numbers(name: str) -> None:
    assert finite_floats(FUNCTIONS[name](**VALID[name]))


@pytest.mark.parametrize("nonsense", [math.nan, math.inf, -math.inf, -1e12])
@pytest.mark.parametrize(("name", "argument"), NUMBERS)
def test_nonsense_is_refused_and_the_argument_named(
    name: str, argument: str, nonsense: float
) -> None:
    with pytest.raises(ValueError, match=argument):
        FUNCTIONS[name](**{**VALID[name], argument: nonsense})


@pytest.mark.parametrize("nonsense", [math.nan, math.inf, -math.inf, -1e12])
@pytest.mark.parametrize(("name", "argument", "field"), RECORDS)
def test_nonsense_in_a_record_is_refused_and_the_field_named(
    name: str, argument: str, field: str, nonsense: float
) -> None:
    record = dataclasses.replace(VALID[name][argument], **{field: nonsense})
    with pytest.raises(ValueError, match=field):
        FUNCTIONS[name](**{**VALID[name], argument: record})


@pytest.mark.parametrize("nonsense", [math.nan, math.inf])
@pytest.mark.parametrize(("name", "argument"), SERIES)
def test_nonsense_in_a_series_is_refused(name: str, argument: str, nonsense: float) -> None:
    series = list(VALID[name][argument])
    series[1] = nonsense
    with pytest.raises(ValueError, match=argument):
        FUNCTIONS[name](**{**VALID[name], argument: series})


@pytest.mark.parametrize("name", FUNCTIONS)
def test_docstring_states_source_and_error(name: str) -> None:
    text = inspect.getdoc(FUNCTIONS[name]) or ""
    assert "Source:" in text
    assert "Raises:\n    ValueError: " in text


@pytest.mark.parametrize("name", FUNCTIONS)
def test_docs_list_the_function(name: str) -> None:
    module, function = name.split(".")
    page = DOCS.read_text(encoding="utf-8")
    chapter = page.split(f"\n## {module}.py")[1].split("\n## ")[0]
    assert f"\n| `{function}` |" in chapter


def test_docs_list_no_function_that_is_gone() -> None:
    page = DOCS.read_text(encoding="utf-8")
    for chapter in page.split("\n## ")[1:]:
        module = chapter.split(".py", maxsplit=1)[0]
        rows = [line for line in chapter.splitlines() if line.startswith("| `")]
        for row in rows:
            assert f"{module}.{row.split('`')[1]}" in FUNCTIONS
