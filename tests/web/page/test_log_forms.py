"""Forms of the log page become requests that the log's desk takes, or say what is missing."""

from typing import Any
from zoneinfo import ZoneInfo

import pytest
from support.loop_world import CONFIG, settings_of
from support.still_clock import NOON

from weirwatch.pipeline.log_entries import BUDGET, LogWorld, make_entry, request_from
from weirwatch.pipeline.log_units import MEASURES, in_unit, units_of
from weirwatch.web.page import log_forms

OSLO = ZoneInfo("Europe/Oslo")


def request(kind: str, **fields: Any) -> dict[str, Any]:
    return log_forms.request_of(kind, fields, OSLO)


def test_a_test_with_a_comma_and_a_time_of_the_keeper() -> None:
    made = request(
        "test", subject="alkalinity", value=" 8,2 ", unit="dKH", when="2026-07-01T18:30", text=""
    )
    assert made == {
        "kind": "test",
        "subject": "alkalinity",
        "value": 8.2,
        "unit": "dKH",
        "who": "page",
        "time": "2026-07-01T16:30:00Z",
    }


def test_a_water_change_tells_only_what_was_written() -> None:
    made = request("water-change", value="200", **{"fresh alkalinity": "7.5", "fresh calcium": ""})
    assert (made["unit"], made["fresh"]) == ("L", {"alkalinity": 7.5})


def test_a_calibration_needs_both_sides_of_a_standard() -> None:
    whole = {"known 1": "7", "shown 1": "7.08", "known 2": "10.01", "shown 2": "9,95"}
    assert request("calibration", channel="a/b/ph", **whole)["points"] == [[7, 7.08], [10.01, 9.95]]
    with pytest.raises(ValueError, match="Standard 2: write what it is known to be"):
        request("calibration", channel="a/b/ph", **{**whole, "shown 2": ""})
    with pytest.raises(ValueError, match="at least one standard"):
        request("calibration", channel="a/b/ph")


@pytest.mark.parametrize(
    ("kind", "fields", "said"),
    [
        ("test", {"subject": "alkalinity", "value": "", "unit": "dKH"}, "Value: write a number"),
        ("test", {"subject": "alkalinity", "value": "8.2 dKH"}, "is not a number"),
        ("dose", {"subject": "lime-water", "value": "1", "strength_g_l": "x"}, "Strength"),
        ("note", {"text": "x", "when": "yesterday"}, "When: 'yesterday' is no date"),
    ],
)
def test_what_is_missing_is_said(kind: str, fields: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        request(kind, **fields)


@pytest.mark.parametrize("kind", log_forms.TITLES)
def test_every_field_of_every_form_is_one_of_the_requests(kind: str) -> None:
    fields = {ask.name: "1" for ask in log_forms.asks(kind)} | {"text": "words", "operator": "Ola"}
    made = request_from(request(kind, **fields, unit="g"))
    assert (made.kind, made.who, made.text) == (kind, "Ola", "words")


@pytest.mark.parametrize("quantity", MEASURES)
def test_every_unit_that_is_offered_is_taken(quantity: str) -> None:
    assert units_of(quantity)[0] == MEASURES[quantity].unit
    for unit in log_forms.units("test", quantity):
        in_unit(quantity, 1.025, unit)


@pytest.mark.parametrize("subject", [value for value, _ in log_forms.doses()])
def test_every_dose_that_is_offered_is_taken_in_each_of_its_units(subject: str) -> None:
    demo = settings_of(CONFIG)
    world = LogWorld(demo, NOON, lambda _: None, {})
    for unit in log_forms.units("dose", subject):
        fields: dict[str, Any] = {"subject": subject, "value": "1", "unit": unit}
        if unit in ("L", "mL") and subject != "lime-water":
            fields["strength_g_l"] = "80"
        if subject not in BUDGET:
            continue  # those need the volume of a plant, which these settings have not
        make_entry(request_from({**request("dose", **fields), "sure": True}), world)
