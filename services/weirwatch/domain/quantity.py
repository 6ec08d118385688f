"""Which units exist and how one becomes another: SenML's registry and a few of the trade.

Registered symbols are those of RFC 8428 (table "SenML Units"), RFC 8798 (new primary units and
the secondary units registry) and the IANA registry that grew out of them. A unit belongs to one
dimension; each dimension has a base unit, and `value × scale + offset` is the value in the base.
Scales are exact fractions until the last step, so that 77 degF is 25 Cel and not nearly 25.

Not convertible on purpose: mg/L to ppm (needs the density), umol/kg to anything per litre (the
same), ppt (grams of salt per kilogram) to psu (practical salinity, PSS-78), conductivity to
salinity (needs the temperature: `weirwatch.water`).
"""

from fractions import Fraction
from functools import lru_cache

_Linear = tuple[str, str]  # scale and offset to the base unit, exact, as text

# Dimension -> symbol -> scale (or scale and offset). The symbol with scale 1 is the base.
_TABLE: dict[str, dict[str, str | _Linear]] = {
    "length": {"m": "1", "mm": "1/1000", "cm": "1/100", "km": "1000", "in": "0.0254"},
    "mass": {"kg": "1", "g": "1/1000", "mg": "1/1000000"},
    "time": {"s": "1", "ms": "1/1000", "min": "60", "h": "3600", "d": "86400"},
    "electric current": {"A": "1", "mA": "1/1000"},
    # degF: NIST SP 811, appendix B.8. The base is Cel, so that no sum of 273.15 loses digits.
    "temperature": {"Cel": "1", "K": ("1", "-273.15"), "degF": ("5/9", "-160/9")},
    "luminous intensity": {"cd": "1"},
    "amount of substance": {"mol": "1"},
    "frequency": {"Hz": "1", "MHz": "1000000"},
    "angle": {"rad": "1", "deg": "0.017453292519943295"},
    "solid angle": {"sr": "1"},
    "force": {"N": "1"},
    "pressure": {"Pa": "1", "hPa": "100", "kPa": "1000", "bar": "100000"},
    "energy": {"J": "1", "Wh": "3600", "kWh": "3600000"},
    "power": {"W": "1", "kW": "1000"},
    "electric charge": {"C": "1", "Ah": "3600"},
    "voltage": {"V": "1", "mV": "1/1000"},
    "capacitance": {"F": "1"},
    "resistance": {"Ohm": "1"},
    "conductance": {"S": "1"},
    "magnetic flux": {"Wb": "1"},
    "magnetic flux density": {"T": "1"},
    "inductance": {"H": "1"},
    "luminous flux": {"lm": "1"},
    "illuminance": {"lx": "1"},
    "radioactivity": {"Bq": "1"},
    "absorbed dose": {"Gy": "1"},
    "dose equivalent": {"Sv": "1"},
    "catalytic activity": {"kat": "1"},
    "area": {"m2": "1"},
    # gal: the US liquid gallon, NIST SP 811, appendix B.8.
    "volume": {
        "m3": "1",
        "l": "1/1000",
        "L": "1/1000",
        "mL": "1/1000000",
        "gal": "0.003785411784",
    },
    "velocity": {"m/s": "1", "mm/h": "1/3600000", "m/h": "1/3600", "km/h": "5/18"},
    "acceleration": {"m/s2": "1"},
    "volume flow": {
        "m3/s": "1",
        "m3/h": "1/3600",
        "l/s": "1/1000",
        "L/s": "1/1000",
        "L/min": "1/60000",
        "L/h": "1/3600000",
        "L/d": "1/86400000",
        "mL/min": "1/60000000",
        "gal/min": "0.003785411784/60",
        "gal/h": "0.003785411784/3600",
    },
    "irradiance": {"W/m2": "1"},
    "luminance": {"cd/m2": "1"},
    "information": {"bit": "1", "B": "8", "KiB": "8192", "GB": "8000000000"},
    "data rate": {"bit/s": "1", "Mbit/s": "1000000", "B/s": "8", "MB/s": "8000000"},
    "latitude": {"lat": "1"},
    "longitude": {"lon": "1"},
    "acidity": {"pH": "1"},
    "logarithmic ratio": {"dB": "1"},
    "power level": {"dBW": "1", "dBm": ("1", "-30")},
    "sound pressure level": {"Bspl": "1"},
    "count": {"count": "1"},
    # `%` is the plain ratio, not per cent (RFC 8428, note to the table): per cent is `/100`.
    # The empty unit is that of a switch; RFC 8428 sends the value of a switch as `/`.
    "ratio": {
        "/": "1",
        "": "1",
        "%": "1",
        "/100": "1/100",
        "/1000": "1/1000",
        "ppm": "1/1000000",
        "ppb": "1/1000000000",
    },
    "relative humidity": {"%RH": "1"},
    "battery level": {"%EL": "1"},
    "battery time left": {"EL": "1"},
    "event rate": {"1/s": "1", "1/min": "1/60"},
    "heart rate": {"beat/min": "1"},
    "heart beats": {"beats": "1"},
    "conductivity": {"S/m": "1", "mS/cm": "1/10", "uS/cm": "1/10000"},
    "apparent power": {"VA": "1", "kVA": "1000"},
    "apparent energy": {"VAs": "1", "VAh": "3600", "kVAh": "3600000"},
    "reactive power": {"var": "1", "kvar": "1000"},
    "reactive energy": {"vars": "1", "varh": "3600", "kvarh": "3600000"},
    "energy per distance": {"J/m": "1", "Wh/km": "3.6"},
    "mass concentration": {
        "kg/m3": "1",
        "g/L": "1",
        "g/l": "1",
        "mg/L": "1/1000",
        "mg/l": "1/1000",
        "ug/L": "1/1000000",
        "ug/l": "1/1000000",
        "ug/m3": "1/1000000000",
    },
    "turbidity": {"NTU": "1"},
    "amount concentration": {"mol/m3": "1", "mmol/L": "1", "umol/L": "1/1000"},
    "amount per mass": {"umol/kg": "1", "mmol/kg": "1000"},
    # 1 meq/L = 2.804 dKH (10 mg/L CaO each) = 50.04 mg/L as calcium carbonate.
    "alkalinity": {"meq/L": "1", "dKH": "1/2.804", "mg/L CaCO3": "1/50.04"},
    "practical salinity": {"psu": "1"},
    "salinity": {"ppt": "1"},
    "photon flux density": {"umol/m2/s": "1"},
}

_LOOKS_LIKE = {
    "°C": "Cel",
    "degC": "Cel",
    "celsius": "Cel",
    "°F": "degF",
    "fahrenheit": "degF",
    "percent": "/100",
    "per cent": "/100",
    "‰": "ppt",
    "µS/cm": "uS/cm",
    "l/h": "L/h",
    "l/min": "L/min",
    "lph": "L/h",
    "gph": "gal/h",
    "dkh": "dKH",
    "°dKH": "dKH",
    "ph": "pH",
    "lux": "lx",
    "ohm": "Ohm",
    "meq/l": "meq/L",
}


def _exact(text: str) -> Fraction:
    """Return `a` or `a/b` exactly, where a and b are decimal numbers."""
    above, _, below = text.partition("/")
    return Fraction(above) / Fraction(below or "1")


def _build() -> dict[str, tuple[str, Fraction, Fraction]]:
    units = {}
    for name, symbols in _TABLE.items():
        for symbol, linear in symbols.items():
            scale, offset = (linear, "0") if isinstance(linear, str) else linear
            units[symbol] = (name, _exact(scale), _exact(offset))
    return units


_UNITS = _build()


def known_unit(unit: str) -> bool:
    """Return whether the symbol is one of SenML's or of ours; the empty one is a switch's."""
    return unit in _UNITS


def known_units() -> tuple[str, ...]:
    """Return every known symbol but the empty one, in the order of the table."""
    return tuple(symbol for symbol in _UNITS if symbol)


def suggest(unit: str) -> str | None:
    """Return the symbol that was probably meant by one that is not known, or None."""
    return _LOOKS_LIKE.get(unit) or _LOOKS_LIKE.get(unit.lower())


def dimension(unit: str) -> str:
    """Return the unit's dimension in words, such as `mass concentration`.

    Raises:
        ValueError: the unit is not known.
    """
    return _find(unit)[0]


@lru_cache(maxsize=1024)
def converter(from_unit: str, to_unit: str) -> tuple[float, float]:
    """Return (scale, offset): `value × scale + offset` is the value in the other unit.

    Raises:
        ValueError: a unit is not known, or the two are of different dimensions.
    """
    from_dimension, from_scale, from_offset = _find(from_unit)
    to_dimension, to_scale, to_offset = _find(to_unit)
    if from_dimension != to_dimension:
        raise ValueError(
            f"unit {from_unit!r} ({from_dimension}) cannot become {to_unit!r} ({to_dimension})"
        )
    return float(from_scale / to_scale), float((from_offset - to_offset) / to_scale)


def convert(value: float, from_unit: str, to_unit: str) -> float:
    """Return the value in the other unit.

    Raises:
        ValueError: a unit is not known, or the two are of different dimensions.
    """
    scale, offset = converter(from_unit, to_unit)
    return value * scale + offset


def _find(unit: str) -> tuple[str, Fraction, Fraction]:
    found = _UNITS.get(unit)
    if found is None:
        meant = suggest(unit)
        cure = f"write {meant!r}" if meant else "the known ones are listed in docs/wire.md"
        raise ValueError(f"unit {unit!r} is not known: {cure}")
    return found
