"""Which units go with which quantity."""

from weirwatch.domain.quantity import dimension, known_unit, known_units, suggest

# quantity -> dimensions of its units, and a usual unit. A quantity that is not listed takes any.
QUANTITIES: dict[str, tuple[tuple[str, ...], str]] = {
    "temperature": (("temperature",), "Cel"),
    "ph": (("acidity",), "pH"),
    "level": (("length", "volume", "ratio"), "mm"),
    "distance": (("length",), "mm"),
    "volume": (("volume",), "L"),
    "mass": (("mass",), "kg"),
    "flow": (("volume flow", "velocity", "event rate"), "L/h"),
    "conductivity": (("conductivity",), "mS/cm"),
    "salinity": (("practical salinity", "salinity", "mass concentration", "ratio"), "psu"),
    "density": (("mass concentration",), "kg/m3"),
    "power": (("power", "apparent power"), "W"),
    "energy": (("energy",), "kWh"),
    "voltage": (("voltage",), "V"),
    "ph-voltage": (("voltage",), "mV"),
    "current": (("electric current",), "A"),
    "frequency": (("frequency", "event rate"), "Hz"),
    "charge": (("battery level", "ratio", "electric charge"), "%EL"),
    "pressure": (("pressure",), "hPa"),
    "oxygen": (("mass concentration", "amount per mass", "amount concentration", "ratio"), "mg/L"),
    "orp": (("voltage",), "mV"),
    "humidity": (("relative humidity", "ratio"), "%RH"),
    "co2": (("ratio", "mass concentration"), "ppm"),
    "light": (("illuminance", "irradiance", "photon flux density", "ratio"), "lx"),
    "turbidity": (("turbidity",), "NTU"),
    "alkalinity": (("alkalinity", "amount concentration", "mass concentration"), "dKH"),
    "calcium": (("mass concentration", "amount concentration"), "mg/L"),
    "magnesium": (("mass concentration", "amount concentration"), "mg/L"),
    "nitrate": (("mass concentration", "amount concentration"), "mg/L"),
    "phosphate": (("mass concentration", "amount concentration"), "mg/L"),
    "ammonia": (("mass concentration", "amount concentration"), "mg/L"),
    "count": (("count", "ratio"), "count"),
    "switch": ((), ""),
}
_WITHOUT = ("ph", "salinity", "count")  # numbers that people write without a unit


def unit_fault(quantity: str, unit: str) -> tuple[str, str] | None:
    """Return what is wrong with a channel's unit and the cure, or None."""
    dimensions, usual = QUANTITIES.get(quantity, ((), ""))
    if quantity == "switch":
        return ("is a unit on a switch, which has none", "Leave unit out") if unit else None
    if not known_unit(unit):
        meant = suggest(unit)
        return "is not a known unit", f'Did you mean "{meant}"?' if meant else _near(unit, usual)
    if not unit:
        needed = dimensions and quantity not in _WITHOUT
        return ("is missing", f'Write for example unit = "{usual}"') if needed else None
    if dimensions and dimension(unit) not in dimensions:
        what = f"is a unit of {dimension(unit)}, and the quantity is {quantity}"
        return what, f'Write for example unit = "{usual}", or another quantity'
    return None


def _near(unit: str, usual: str) -> str:
    by_lower = {symbol.lower(): symbol for symbol in known_units()}
    near = by_lower.get(unit.lower())
    if near is not None:
        return f'Did you mean "{near}"?'
    known = "The known ones are listed in docs/configuration.md"
    return f'Write for example unit = "{usual}". {known}' if usual else known
