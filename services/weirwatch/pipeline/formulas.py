"""Which derived channels there are: what each needs, in which unit, and what it computes.

Every formula is a thin call of `weirwatch.water`, which raises `ValueError` on input outside its
range; `pipeline.derive` turns that into a bad reading with the reason.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from weirwatch.pipeline.outage import OutageBasis, OutageNow, outage_clock
from weirwatch.water.ammonia import unionised_mg_L
from weirwatch.water.carbonate import dkh_to_umol_kg, pco2_from_alkalinity_ph, pco2_from_room_ppm
from weirwatch.water.hydraulics import spare_margin_l, turnover_per_h
from weirwatch.water.oxygen import percent_saturation
from weirwatch.water.ph_probe import PERFECT, ph_from_mV
from weirwatch.water.salinity import (
    density_kg_m3,
    practical_salinity,
    salinity_from_conductivity_25,
    specific_gravity,
    undo_linear_compensation,
)

Values = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Role:
    """One input: the unit in which the formula takes it; empty for a switch."""

    unit: str
    required: bool = True


@dataclass(frozen=True, slots=True)
class Formula:
    """One kind of derived channel.

    Attributes:
        quantity, unit: of the result.
        roles: inputs by role. The first of them that is given leads: its readings call the formula.
        constants: by name their default; None: must be given, by the file or the plant.
        compute: inputs and constants to the result. None: it needs a window, see
            `pipeline.evaporation`.
        one_of: roles of which exactly one is to be given.
        from_log: constants that the newest hand test of a quantity tells, in the log's unit; until
            there is one the file's counts, if it gives any.
    """

    quantity: str
    unit: str
    roles: Mapping[str, Role]
    compute: Callable[[Values, Values], float] | None
    constants: Mapping[str, float | None] = field(default_factory=dict)
    one_of: tuple[str, ...] = ()
    from_log: Mapping[str, str] = field(default_factory=dict)


def _salinity(inputs: Values, constants: Values) -> float:
    conductivity, temperature = inputs["conductivity"], inputs.get("temperature")
    if temperature is None:
        return salinity_from_conductivity_25(conductivity)
    per_k = constants["compensation_per_k"]
    if per_k > 0.0:
        conductivity = undo_linear_compensation(conductivity, temperature, per_k)
    return practical_salinity(conductivity, temperature)


def _specific_gravity(inputs: Values, constants: Values) -> float:
    reference = constants["reference_degc"]
    return specific_gravity(inputs["salinity"], inputs.get("temperature", reference), reference)


def _density(inputs: Values, _: Values) -> float:
    return density_kg_m3(inputs["salinity"], inputs["temperature"])


def _ph(inputs: Values, constants: Values) -> float:
    """Return the pH (NBS) of an electrode whose calibration is in its channel's correction."""
    t = inputs.get("temperature", constants["temperature_degc"])
    return ph_from_mV(inputs["voltage"], t, PERFECT)


def _oxygen_saturation(inputs: Values, constants: Values) -> float:
    return percent_saturation(
        inputs["oxygen"],
        _salinity_of(inputs, constants),
        inputs["temperature"],
        constants["pressure_atm"],
    )


def _pco2(inputs: Values, constants: Values) -> float:
    salinity, t = _salinity_of(inputs, constants), inputs["temperature"]
    alkalinity = dkh_to_umol_kg(constants["alkalinity_dkh"], salinity, t)
    pressure = pco2_from_alkalinity_ph(alkalinity, inputs["ph"], salinity, t, "nbs")
    return 1000.0 * pressure / pco2_from_room_ppm(1000.0, salinity, t)


def _ammonia(inputs: Values, constants: Values) -> float:
    total = inputs.get("ammonia", constants["ammonia_mg_l"])
    salinity = _salinity_of(inputs, constants)
    return unionised_mg_L(total, inputs["ph"], salinity, inputs["temperature"], "nbs")


def _turnover(inputs: Values, constants: Values) -> float:
    return turnover_per_h(inputs["flow"], constants["volume_l"])


def _drain_back_margin(inputs: Values, constants: Values) -> float:
    working_l = constants["area_m2"] * inputs["level"]  # a millimetre on a square metre is a litre
    stopped = inputs.get("flow", constants["stopped_below_l_h"]) < constants["stopped_below_l_h"]
    still_to_come = 0.0 if stopped else constants["drain_back_l"]
    return spare_margin_l(constants["rim_l"], working_l, still_to_come)


def _outage_hours(inputs: Values, constants: Values) -> float:
    room = inputs.get("room", constants["room_degc"])
    now = OutageNow(
        inputs["temperature"],
        room,
        _salinity_of(inputs, constants),
        inputs.get("oxygen"),
        inputs.get("battery"),
    )
    basis = OutageBasis(
        constants["volume_l"],
        constants["loss_w_per_k"],
        constants["evaporation_l_per_day"],
        constants["uptake_mg_l_h"],
        constants["oxygen_critical_mg_l"],
        constants["temperature_low_degc"],
        constants["battery_wh"],
        constants["battery_load_w"],
    )
    return outage_clock(basis, now).first[1]


def _salinity_of(inputs: Values, constants: Values) -> float:
    return inputs.get("salinity", constants["salinity"])


_TEMPERATURE = Role("Cel")
_MAYBE_SALINITY = Role("psu", required=False)
_SEA: Mapping[str, float | None] = {"salinity": 35.0}

FORMULAS: Mapping[str, Formula] = {
    "salinity": Formula(
        "salinity",
        "psu",
        {"conductivity": Role("mS/cm"), "temperature": Role("Cel", required=False)},
        _salinity,
        {"compensation_per_k": 0.0},
    ),
    "specific-gravity": Formula(
        "specific-gravity",
        "",
        {"salinity": Role("psu"), "temperature": Role("Cel", required=False)},
        _specific_gravity,
        {"reference_degc": 25.0},
    ),
    "density": Formula(
        "density", "kg/m3", {"salinity": Role("psu"), "temperature": _TEMPERATURE}, _density
    ),
    "ph": Formula(
        "ph",
        "pH",
        {"voltage": Role("mV"), "temperature": Role("Cel", required=False)},
        _ph,
        {"temperature_degc": 25.0},
    ),
    "oxygen-saturation": Formula(
        "oxygen",
        "/100",
        {"oxygen": Role("mg/L"), "temperature": _TEMPERATURE, "salinity": _MAYBE_SALINITY},
        _oxygen_saturation,
        {**_SEA, "pressure_atm": 1.0},
    ),
    "pco2": Formula(
        "co2",
        "ppm",
        {"ph": Role("pH"), "temperature": _TEMPERATURE, "salinity": _MAYBE_SALINITY},
        _pco2,
        {**_SEA, "alkalinity_dkh": None},
        from_log={"alkalinity_dkh": "alkalinity"},
    ),
    "unionised-ammonia": Formula(
        "ammonia",
        "mg/L",
        {
            "ph": Role("pH"),
            "temperature": _TEMPERATURE,
            "salinity": _MAYBE_SALINITY,
            "ammonia": Role("mg/L", required=False),
        },
        _ammonia,
        {**_SEA, "ammonia_mg_l": 0.0},
        from_log={"ammonia_mg_l": "ammonia"},
    ),
    "evaporation": Formula(
        "evaporation",
        "L/d",
        {"top-off": Role("", required=False), "level": Role("mm", required=False)},
        None,
        {"rate_l_h": None, "area_m2": None, "window_h": 24.0, "refill_mm": 5.0},
        one_of=("top-off", "level"),
    ),
    "turnover": Formula("turnover", "", {"flow": Role("L/h")}, _turnover, {"volume_l": None}),
    "drain-back-margin": Formula(
        "volume",
        "L",
        {"level": Role("mm"), "flow": Role("L/h", required=False)},
        _drain_back_margin,
        {"area_m2": None, "rim_l": None, "drain_back_l": None, "stopped_below_l_h": 100.0},
    ),
    "outage-hours": Formula(
        "duration",
        "h",
        {
            "temperature": _TEMPERATURE,
            "room": Role("Cel", required=False),
            "oxygen": Role("mg/L", required=False),
            "salinity": _MAYBE_SALINITY,
            "battery": Role("/", required=False),
        },
        _outage_hours,
        {
            **_SEA,
            "volume_l": None,
            "loss_w_per_k": None,
            "room_degc": 20.0,
            "evaporation_l_per_day": 0.0,
            "uptake_mg_l_h": 1.0,
            "oxygen_critical_mg_l": 3.0,
            "temperature_low_degc": 22.0,
            "battery_wh": 0.0,
            "battery_load_w": 0.0,
        },
    ),
}


def needed_constants(formula: Formula, inputs: Mapping[str, str]) -> Mapping[str, float | None]:
    """Return the constants that count for these inputs (evaporation has one per way)."""
    if formula.compute is not None:
        return formula.constants
    unused = "area_m2" if "top-off" in inputs else "rate_l_h"
    return {name: value for name, value in formula.constants.items() if name != unused}
