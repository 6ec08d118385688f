"""What an alarm says of itself: one sentence with value, unit and limit for each kind."""

from typing import Any

import pytest
from support.bench_engine import LEVEL, book, channel, rule

from weirwatch.domain.instant import micros
from weirwatch.domain.reading import Quality
from weirwatch.domain.rule import (
    Absolute,
    BadMeasurement,
    BuiltIn,
    Deviation,
    Discrepancy,
    Duty,
    Forecast,
    RateOfChange,
    Side,
    SwitchIs,
)
from weirwatch.domain.state import Observed
from weirwatch.domain.wording import amount, counted, decimals, limit_text, sentence

NOW = micros(1000)


def observed(
    value: float, reason: str = "", *, heard: float = 1000, since: float = 1000
) -> Observed:
    quality = Quality.BAD if reason else Quality.GOOD
    return Observed(NOW, value, quality, reason, micros(heard), NOW, value, micros(since))


def said(condition: Any, seen: Observed | None, *, lost: bool = False, **more: Any) -> str:
    probe = channel(every=5, **{"unit": "mm", **more})
    entry = book([rule("x", condition)], [probe]).entries["x"]
    return sentence(entry, seen, NOW, lost=lost)


@pytest.mark.parametrize(
    ("condition", "seen", "words"),
    [
        (Absolute(Side.HIGH, 310.0), observed(320.0), "320 mm, at or above 310 mm"),
        (Absolute(Side.LOW, 100.0), observed(99.5), "99.5 mm, at or below 100 mm"),
        (Absolute(Side.LOW, 100.0), None, "never seen, at or below 100 mm"),
        (Deviation(5.0, set_value=300.0), observed(290.0), "290 mm, beyond ±5 mm from 300 mm"),
        (Deviation(5.0, twin="hall/b/c"), observed(1.0), "1 mm, beyond ±5 mm from hall/b/c"),
        (
            Discrepancy(micros(20), minimum=250.0),
            observed(200.0),
            "200 mm, expected at least 250 mm within 20 s",
        ),
        (
            Discrepancy(micros(20), maximum=250.0),
            observed(300.0),
            "300 mm, expected at most 250 mm within 20 s",
        ),
        (
            Discrepancy(micros(1.5), minimum=1.0, maximum=2.0),
            None,
            "never seen, expected 1 mm to 2 mm within 1.5 s",
        ),
        (BadMeasurement(silent=True), None, "no reading yet"),
        (BadMeasurement(silent=True), observed(5.0, heard=940), "no reading for 60 s"),
        (BadMeasurement(frozen=micros(9)), observed(5.0, since=400), "5 mm unchanged for 600 s"),
        (
            BadMeasurement(outside_valid=True),
            observed(999.0, "outside valid range"),
            "999 mm: outside valid range",
        ),
        (BuiltIn(), observed(5.0), "x"),
    ],
)
def test_the_sentence_of_each_kind(condition: Any, seen: Observed | None, words: str) -> None:
    assert said(condition, seen) == words


def test_switches_are_told_in_words() -> None:
    assert said(SwitchIs(False), observed(0.0), quantity="switch", unit="", title="Mains") == (
        "Mains is off"
    )
    floor: Any = {"quantity": "switch", "unit": "", "title": "Floor", "states": ("wet", "dry")}
    assert said(SwitchIs(False), observed(0.0), **floor) == "Floor is wet"
    late = Discrepancy(micros(20), expected=True)
    assert said(late, observed(0.0), **floor) == "wet, expected dry within 20 s"
    assert said(late, observed(0.0), quantity="switch", unit="") == ("off, expected on within 20 s")


def test_a_measurement_that_was_lost_is_told() -> None:
    told = said(Absolute(Side.HIGH, 310.0), observed(320.0), lost=True)
    assert told == "320 mm, at or above 310 mm; measurement lost"


@pytest.mark.parametrize(
    ("condition", "text"),
    [
        (Absolute(Side.HIGH, 310.0), "310 mm"),
        (Forecast(Side.LOW, 100.0, 1, 1), "100 mm"),
        (SwitchIs(True), "on"),
        (RateOfChange(micros(3600), rise=2.0), "+2 mm per 3600 s"),
        (RateOfChange(micros(60), rise=2.0, fall=1.0), "+2 mm/−1 mm per 60 s"),
        (Duty(micros(3600), on_for=micros(600)), "600 s on in 3600 s"),
        (Duty(micros(3600), on_for=micros(600), starts=4), "600 s on or 4 starts in 3600 s"),
        (BadMeasurement(silent=True), ""),
        (BuiltIn(), ""),
    ],
)
def test_limits_as_text(condition: Any, text: str) -> None:
    assert limit_text(rule("x", condition), channel(LEVEL, unit="mm")) == text


def test_a_limit_without_a_channel_has_no_unit() -> None:
    assert limit_text(rule("x", Absolute(Side.HIGH, 3.0)), None) == "3"


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (27.5, "Cel", "27.5 °C"),
        (81.5, "degF", "81.5 °F"),
        (0.85, "/", "0.85"),
        (8.123456789, "pH", "8.12346"),
        (6000.0, "L/h", "6000 L/h"),
        (0.0, "", "0"),
    ],
)
def test_numbers_with_their_units_as_people_write_them(value: float, unit: str, text: str) -> None:
    assert amount(value, unit) == text


def test_a_number_with_its_noun() -> None:
    assert [counted(number, "test") for number in (0, 1, 2)] == ["0 tests", "1 test", "2 tests"]
    assert counted(1, "entry", "entries") == "1 entry"
    assert counted(3, "entry", "entries") == "3 entries"


@pytest.mark.parametrize(
    ("quantity", "unit", "expected"),
    [
        ("level", "mm", 0),
        ("level", "cm", 1),  # a millimetre is a tenth
        ("level", "m", 3),
        ("level", "/", 2),  # per cent, as a ratio
        ("level", "L", 0),
        ("flow", "L/h", 0),
        ("flow", "L/min", 1),
        ("flow", "gal/h", 0),
        ("power", "kW", 3),
        ("temperature", "Cel", 1),
        ("temperature", "degF", 1),
        ("conductivity", "mS/cm", 1),
        ("conductivity", "uS/cm", 0),
        ("conductivity", "S/m", 2),
        ("humidity", "%RH", 0),
        ("ph", "", 2),
        ("of-our-own", "furlong", 2),
    ],
)
def test_a_larger_unit_has_more_decimals(quantity: str, unit: str, expected: int) -> None:
    assert decimals(channel(quantity=quantity, unit=unit)) == expected


def test_the_resolution_says_how_many_decimals_before_the_unit_does() -> None:
    assert decimals(channel(quantity="level", unit="m", resolution=0.01)) == 2
