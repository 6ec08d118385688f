import math

import pytest
from scipy import constants

from weirwatch.domain.quantity import (
    convert,
    converter,
    dimension,
    known_unit,
    known_units,
    suggest,
)

# RFC 8428, table "SenML Units"; the last line is RFC 8798, "New Primary Units".
PRIMARY = """
m kg g s A K cd mol Hz rad sr N Pa J W C V F Ohm S Wb T H Cel lm lx Bq Gy Sv kat m2 m3 l m/s m/s2
m3/s l/s W/m2 cd/m2 bit bit/s lat lon pH dB dBW Bspl count / % %RH %EL EL 1/s 1/min beat/min beats
S/m
B VA VAs var vars J/m kg/m3 deg
""".split()  # noqa: SIM905 - as the table reads

# RFC 8798, "Secondary units registered for SenML": symbol, SenML unit, scale, offset.
SECONDARY = [
    ("ms", "s", 1 / 1000, 0),
    ("min", "s", 60, 0),
    ("h", "s", 3600, 0),
    ("MHz", "Hz", 1_000_000, 0),
    ("kW", "W", 1000, 0),
    ("kVA", "VA", 1000, 0),
    ("kvar", "var", 1000, 0),
    ("Ah", "C", 3600, 0),
    ("Wh", "J", 3600, 0),
    ("kWh", "J", 3_600_000, 0),
    ("varh", "vars", 3600, 0),
    ("kvarh", "vars", 3_600_000, 0),
    ("kVAh", "VAs", 3_600_000, 0),
    ("Wh/km", "J/m", 3.6, 0),
    ("KiB", "B", 1024, 0),
    ("GB", "B", 1e9, 0),
    ("Mbit/s", "bit/s", 1_000_000, 0),
    ("B/s", "bit/s", 8, 0),
    ("MB/s", "bit/s", 8_000_000, 0),
    ("mV", "V", 1 / 1000, 0),
    ("mA", "A", 1 / 1000, 0),
    ("dBm", "dBW", 1, -30),
    ("ug/m3", "kg/m3", 1e-9, 0),
    ("mm/h", "m/s", 1 / 3_600_000, 0),
    ("m/h", "m/s", 1 / 3600, 0),
    ("ppm", "/", 1e-6, 0),
    ("/100", "/", 1 / 100, 0),
    ("/1000", "/", 1 / 1000, 0),
    ("hPa", "Pa", 100, 0),
    ("mm", "m", 1 / 1000, 0),
    ("cm", "m", 1 / 100, 0),
    ("km", "m", 1000, 0),
    ("km/h", "m/s", 1 / 3.6, 0),
]


@pytest.mark.parametrize("unit", PRIMARY)
def test_every_primary_unit_of_the_registry_is_known(unit: str) -> None:
    assert known_unit(unit)
    assert converter(unit, unit) == (1.0, 0.0)


@pytest.mark.parametrize(("unit", "primary", "scale", "offset"), SECONDARY)
def test_secondary_units_have_the_scale_and_offset_of_rfc_8798(
    unit: str, primary: str, scale: float, offset: float
) -> None:
    got_scale, got_offset = converter(unit, primary)
    assert got_scale == pytest.approx(scale, rel=1e-15)
    assert got_offset == offset


# scipy.constants carries CODATA and NIST conversion factors.
@pytest.mark.parametrize(
    ("unit", "base", "factor"),
    [
        ("L", "m3", constants.liter),
        ("gal", "m3", constants.gallon),
        ("gal/h", "m3/s", constants.gallon / constants.hour),
        ("gal/min", "m3/s", constants.gallon / constants.minute),
        ("L/h", "m3/s", constants.liter / constants.hour),
        ("L/min", "m3/s", constants.liter / constants.minute),
        ("L/d", "m3/s", constants.liter / constants.day),
        ("mL/min", "m3/s", constants.liter / 1000 / constants.minute),
        ("m3/h", "m3/s", 1 / constants.hour),
        ("in", "m", constants.inch),
        ("bar", "Pa", constants.bar),
        ("d", "s", constants.day),
        ("deg", "rad", constants.degree),
        ("g", "kg", constants.gram),
        ("km/h", "m/s", constants.kmh),
    ],
)
def test_units_of_the_trade_agree_with_scipy(unit: str, base: str, factor: float) -> None:
    assert convert(1.0, unit, base) == pytest.approx(factor, rel=1e-12)


@pytest.mark.parametrize("value", [-40.0, 32.0, 77.0, 212.0])
def test_temperature_agrees_with_scipy(value: float) -> None:
    expected = float(constants.convert_temperature(value, "Fahrenheit", "Celsius"))
    assert convert(value, "degF", "Cel") == pytest.approx(expected, abs=1e-12)
    kelvin = float(constants.convert_temperature(value, "Fahrenheit", "Kelvin"))
    assert convert(value, "degF", "K") == pytest.approx(kelvin, abs=1e-12)
    assert convert(convert(value, "degF", "K"), "K", "degF") == pytest.approx(value, abs=1e-12)


def test_round_temperatures_stay_round() -> None:
    assert convert(77.0, "degF", "Cel") == 25.0
    assert convert(298.15, "K", "Cel") == pytest.approx(25.0, abs=1e-12)


def test_alkalinity_as_in_the_trade() -> None:
    # 1 meq/L = 2.804 dKH = 50.04 mg/L CaCO3 (published; from the molar masses: 56.0774/2/10 for
    # the degree, which counts 10 mg/L CaO, and 100.0869/2 for CaCO3, IUPAC atomic weights).
    assert convert(1.0, "meq/L", "dKH") == pytest.approx(2.804, abs=0.0005)
    assert convert(1.0, "meq/L", "dKH") == pytest.approx(56.0774 / 2 / 10, abs=0.0005)
    assert convert(1.0, "meq/L", "mg/L CaCO3") == pytest.approx(100.0869 / 2, abs=0.005)
    assert convert(1.0, "dKH", "meq/L") == pytest.approx(0.3566, abs=0.00005)
    assert convert(1.0, "dKH", "mg/L CaCO3") == pytest.approx(17.85, abs=0.005)


def test_conductivity_of_sea_water() -> None:
    # Sea water of practical salinity 35 at 25 °C: 53.071 mS/cm (gsw) is 5.3071 S/m.
    assert convert(53.071, "mS/cm", "S/m") == pytest.approx(5.3071, rel=1e-15)
    assert convert(5.3071, "S/m", "uS/cm") == pytest.approx(53071.0, rel=1e-15)


def test_the_percent_sign_is_a_ratio() -> None:
    # RFC 8428: `%` is "NOT a percentage, but the absolute ratio"; RFC 8798 registers `/100`.
    assert convert(0.5, "%", "/") == 0.5
    assert convert(0.5, "%", "/100") == 50.0
    assert convert(50.0, "/100", "/") == 0.5
    assert dimension("%RH") != dimension("%")


def test_a_switch_takes_the_ratio() -> None:
    assert converter("/", "") == (1.0, 0.0)  # RFC 8428: `/` is also "the value of a switch"


@pytest.mark.parametrize(
    ("from_unit", "to_unit"),
    [("mg/L", "ppm"), ("umol/kg", "mmol/L"), ("ppt", "psu"), ("S/m", "psu"), ("C", "Cel"),
     ("mg/L", "mg/L CaCO3"), ("VA", "W"), ("Hz", "1/s")],
)  # fmt: skip
def test_other_dimensions_are_refused_naming_both(from_unit: str, to_unit: str) -> None:
    with pytest.raises(ValueError) as caught:
        convert(1.0, from_unit, to_unit)
    assert repr(from_unit) in str(caught.value)
    assert repr(to_unit) in str(caught.value)
    assert dimension(from_unit) in str(caught.value)


def test_an_unknown_unit_names_the_cure() -> None:
    assert not known_unit("°C")
    assert suggest("°C") == "Cel"
    with pytest.raises(ValueError, match="unit '°C' is not known: write 'Cel'"):
        dimension("°C")
    assert suggest("furlong") is None
    with pytest.raises(ValueError, match=r"unit 'furlong' is not known: .*docs/wire.md"):
        converter("furlong", "m")


def test_every_suggestion_is_a_known_unit() -> None:
    for wrong in ("degC", "°F", "percent", "‰", "µS/cm", "lph", "gph", "PH", "LUX", "meq/l"):
        meant = suggest(wrong)
        assert meant is not None
        assert known_unit(meant)
        assert not known_unit(wrong)


def test_there_and_back_is_the_same_value() -> None:
    units = known_units()
    pairs = [(a, b) for a in units for b in units if dimension(a) == dimension(b)]
    assert len(pairs) > len(units)
    for a, b in pairs:
        assert math.isclose(convert(convert(12.5, a, b), b, a), 12.5, rel_tol=1e-12, abs_tol=1e-9)
