"""In which units the log takes and keeps each quantity, and which values it believes.

Units of test kits are ambiguous where the trade is: here stands what each is taken for.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from weirwatch.domain.errors import RefusedEntry
from weirwatch.domain.quantity import convert, suggest
from weirwatch.settings import SupplySettings
from weirwatch.water.salinity import salinity_from_specific_gravity

_N_TO_NITRATE = 62.0049 / 14.0067  # molar masses, IUPAC 2021
_N_TO_AMMONIA = 17.0305 / 14.0067
_P_TO_PHOSPHATE = 94.9714 / 30.9738
_PPT_PER_PSU = 35.16504 / 35.0  # reference salinity of TEOS-10, g/kg


@dataclass(frozen=True, slots=True)
class Measure:
    """One quantity.

    Attributes:
        unit: in which it is kept.
        usual: lowest and highest value that is stored without a question (common practice).
        possible: beyond this nothing is stored.
        words: further units, as factor to `unit`.
    """

    unit: str
    usual: tuple[float, float]
    possible: tuple[float, float]
    words: Mapping[str, float] = field(default_factory=dict)


_KIT = {"ppm": 1.0}  # kits write ppm and mean mg/L
_MICRO = {"ppm": 1.0, "ppb": 0.001}

MEASURES: Mapping[str, Measure] = {
    "alkalinity": Measure(
        "dKH",
        (3.0, 20.0),
        (0.0, 60.0),
        {"ppm": 2.804 / 50.04, "mg/L": 2.804 / 50.04, "mmol/L": 2.804},  # as CaCO3; as charge
    ),
    "calcium": Measure("mg/L", (200.0, 700.0), (0.0, 2000.0), _KIT),
    "magnesium": Measure("mg/L", (700.0, 2000.0), (0.0, 5000.0), _KIT),
    "potassium": Measure("mg/L", (200.0, 700.0), (0.0, 2000.0), _KIT),
    "strontium": Measure("mg/L", (1.0, 30.0), (0.0, 100.0), _KIT),
    "nitrate": Measure("mg/L", (0.0, 150.0), (0.0, 1000.0), {**_KIT, "mg/L N": _N_TO_NITRATE}),
    "phosphate": Measure(
        "mg/L",
        (0.0, 3.0),
        (0.0, 50.0),
        {
            **_MICRO,
            "mg/L P": _P_TO_PHOSPHATE,
            "ug/L P": _P_TO_PHOSPHATE / 1000,
            "ppb P": _P_TO_PHOSPHATE / 1000,
        },
    ),
    "ammonia": Measure("mg/L", (0.0, 5.0), (0.0, 100.0), {**_KIT, "mg/L N": _N_TO_AMMONIA}),
    "silicate": Measure("mg/L", (0.0, 10.0), (0.0, 100.0), _MICRO),
    "salinity": Measure("psu", (20.0, 45.0), (0.0, 80.0), {"ppt": 1.0 / _PPT_PER_PSU, "": 1.0}),
    "ph": Measure("pH", (6.5, 9.5), (0.0, 14.0), {"": 1.0}),
    "temperature": Measure("Cel", (10.0, 35.0), (-5.0, 60.0)),
    "oxygen": Measure("mg/L", (2.0, 15.0), (0.0, 40.0), _KIT),
    "conductivity": Measure("mS/cm", (30.0, 70.0), (0.0, 200.0)),
}
AMOUNTS: Mapping[str, tuple[str, float]] = {"g": ("mass", 1e5), "L": ("volume", 1e6)}


_ALSO: Mapping[str, tuple[str, ...]] = {  # taken as well, by conversion
    "alkalinity": ("meq/L",),
    "salinity": ("SG",),
    "temperature": ("degF", "K"),
    "conductivity": ("uS/cm", "S/m"),
}


def units_of(quantity: str) -> tuple[str, ...]:
    """Return the units in which a quantity may be written, the one that is kept first."""
    measure = MEASURES[quantity]
    words = (word for word in measure.words if word)
    return tuple(dict.fromkeys((measure.unit, *_ALSO.get(quantity, ()), *words)))


def measured(quantity: str, value: float, unit: str, *, sure: bool) -> tuple[float, str]:
    """Return a test's value in the unit that is kept, and that unit.

    Raises:
        RefusedEntry: the quantity or the unit is not known, the value is impossible, or it is
            unusual and nobody said that it is meant.
    """
    measure = MEASURES.get(quantity)
    if measure is None:
        raise RefusedEntry(f"{quantity!r} is no quantity of the log: one of {', '.join(MEASURES)}")
    kept = in_unit(quantity, value, unit)
    low, high = measure.possible
    if not low <= kept <= high:
        raise RefusedEntry(
            f"{quantity} {value:g} {unit} is impossible ({kept:g} {measure.unit}): look at number"
            " and unit"
        )
    low, high = measure.usual
    if not low <= kept <= high and not sure:
        raise RefusedEntry(
            f"{quantity} {value:g} {unit} is {kept:.4g} {measure.unit}, outside {low:g} to"
            f" {high:g}: if number and unit are right, say that you are sure (--sure)"
        )
    return kept, measure.unit


def in_unit(quantity: str, value: float, unit: str) -> float:
    """Return a value or a rise of a quantity in the unit that is kept.

    Raises:
        RefusedEntry: the unit does not fit.
    """
    measure = MEASURES[quantity]
    if unit in measure.words:
        return value * measure.words[unit]
    if quantity == "salinity" and unit in ("SG", "sg"):
        return _from_gravity(value)
    wanted = suggest(unit) or unit
    try:
        if not unit:
            raise ValueError("there is no unit")  # noqa: TRY301 - one way to say it
        return convert(value, wanted, measure.unit)
    except ValueError as error:
        known = ", ".join(dict.fromkeys((measure.unit, *(word for word in measure.words if word))))
        raise RefusedEntry(f"{quantity} in {unit or 'no unit'}: {error}; write {known}") from error


def amount(value: float, unit: str, into: str) -> float:
    """Return a dose's amount in g or L.

    Raises:
        RefusedEntry: the unit does not fit, or the amount is not above 0 or beyond belief.
    """
    try:
        found = convert(value, suggest(unit) or unit, into)
    except ValueError as error:
        raise RefusedEntry(f"amount in {unit or 'no unit'}: write it in {into}") from error
    if not 0.0 < found <= AMOUNTS[into][1]:
        raise RefusedEntry(f"amount {value:g} {unit} is impossible: look at number and unit")
    return found


def counted(supply: SupplySettings, value: float, unit: str, *, sure: bool) -> float:
    """Return what is left of a supply, in its own unit.

    Raises:
        RefusedEntry: the unit does not fit, there is less than nothing, or more than it holds.
    """
    try:
        left = value if unit == supply.unit else convert(value, suggest(unit) or unit, supply.unit)
    except ValueError as error:
        raise RefusedEntry(
            f"{supply.id} in {unit or 'no unit'}: {error}; write {supply.unit}"
        ) from error
    if not 0.0 <= left <= 1e9:
        raise RefusedEntry(f"{value:g} {unit} of {supply.id} is impossible")
    if supply.size is not None and left > 1.05 * supply.size and not sure:
        raise RefusedEntry(
            f"{left:g} {supply.unit} of {supply.id} is more than it holds ({supply.size:g}): if"
            " number and unit are right, say that you are sure (--sure)"
        )
    return left


def _from_gravity(value: float) -> float:
    """Specific gravity at 25/25 °C, as most hydrometers of the trade say (common practice)."""
    try:
        return salinity_from_specific_gravity(value, 25.0, 25.0)
    except ValueError as error:
        raise RefusedEntry(f"specific gravity {value:g} is impossible: {error}") from error
