"""The JSON shape of one thing, field by field."""

import json
from dataclasses import replace

import pytest
from support.web_harbour import FLOW, HIGH, LEAK, LEVEL, NO_FLOW, NOON, RAISED, WET, raised

from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.alarm import Event
from weirwatch.domain.devices import Device
from weirwatch.domain.failures import FIRST_LINE, card_as_json
from weirwatch.domain.instant import SECOND
from weirwatch.domain.reading import Channel, Quality
from weirwatch.domain.rule import (
    Absolute,
    BadMeasurement,
    BuiltIn,
    Condition,
    Deviation,
    Discrepancy,
    Duty,
    Forecast,
    RateOfChange,
    Rule,
    Side,
    SwitchIs,
)
from weirwatch.pipeline import shapes
from weirwatch.ports import Newest, StoredEvent

CARD = load_catalogue().failures["sump-high"].card


def test_an_alarm_has_the_fields_of_the_contract() -> None:
    pump = Device("pump", "Pump", frozenset({HIGH.id}), breaker="no. 4", stop_cock="in the cellar")
    other = Device("heater", "Heater", frozenset({LEAK.id}), breaker="no. 5")
    alarm = shapes.alarm_json(HIGH, RAISED, LEVEL, CARD, (pump, other))
    assert alarm == {
        "id": "sump-level-high",
        "rule": "sump-level-high",
        "title": "Sump level high",
        "channel": "harbour-hall/sump-node/level",
        "failure": "sump-high",
        "kind": "absolute",
        "priority": "high",
        "state": "unacknowledged",
        "service_state": "in-service",
        "raised_at": "2026-05-01T11:59:00Z",
        "returned_at": None,
        "acknowledged_at": None,
        "acknowledged_by": None,
        "check_in_at": None,
        "shelved_until": None,
        "out_until": None,
        "value": 318.0,
        "raised_value": 312.0,
        "unit": "mm",
        "limit": 310.0,
        "message": "312 mm, at or above 310 mm",
        "response": f"{FIRST_LINE} Look at the sump; check the top-off history.",
        "forecast": None,
        "devices": [
            {
                "id": "pump",
                "title": "Pump",
                "text": "Pump – breaker: no. 4, stop-cock: in the cellar.",
                "place": None,
                "breaker": "no. 4",
                "rcd": None,
                "valve": None,
                "stop_cock": "in the cellar",
            }
        ],
        "safety_card": card_as_json(CARD),
    }
    assert json.loads(json.dumps(alarm)) == alarm
    del alarm["safety_card"]
    assert shapes.alarm_without_card(HIGH, RAISED, LEVEL, CARD, (pump, other)) == alarm


def test_the_safe_first_line_stands_before_any_response() -> None:
    silent = replace(HIGH, response="")
    assert shapes.response_text(silent, CARD) == FIRST_LINE
    assert shapes.response_text(HIGH, None) == HIGH.response
    dry = replace(CARD, first_line="Nothing is wet here.")
    assert shapes.response_text(HIGH, dry) == HIGH.response


@pytest.mark.parametrize(
    ("condition", "channel", "limit"),
    [
        (Absolute(Side.LOW, 7.5), LEVEL, 7.5),
        (Forecast(Side.HIGH, 310.0, SECOND, SECOND), LEVEL, 310.0),
        (SwitchIs(True), LEAK, True),
        (SwitchIs(False), LEAK, False),
        (Discrepancy(SECOND, minimum=5000.0), FLOW, "at least 5000 L/h expected"),
        (Discrepancy(SECOND, expected=True), LEAK, "on expected"),
        (Deviation(0.3, set_value=8.2), Channel("a/b/ph", "ph", "pH"), "±0.3 from 8.2"),
        (RateOfChange(600 * SECOND, rise=5.0), LEVEL, "+5 mm per 600 s"),
        (Duty(3600 * SECOND, starts=6), LEAK, "6 starts in 3600 s"),
        (BadMeasurement(silent=True), LEVEL, None),
        (BuiltIn(), None, None),
    ],
)
def test_a_limit_is_a_number_a_state_or_a_short_text(
    condition: Condition, channel: Channel | None, limit: object
) -> None:
    rule = Rule("r", "R", "kind", condition, "sump-high")
    found = shapes.limit_json(rule, channel)
    assert found == limit
    assert type(found) is type(limit)


def test_an_alarm_of_the_service_itself_has_no_channel_and_no_unit() -> None:
    rule = Rule("broker-lost", "Broker lost", "system", BuiltIn(), "broker-lost")
    alarm = shapes.alarm_json(rule, replace(RAISED, rule=rule.id), None, None)
    assert (alarm["channel"], alarm["unit"], alarm["limit"]) == (None, "", None)
    assert alarm["safety_card"] is None


def test_times_of_people_are_told() -> None:
    alarm = replace(
        RAISED,
        acknowledged_at=NOON,
        acknowledged_by="keeper",
        check_in_at=NOON + SECOND,
        shelved_until=NOON + 2 * SECOND,
        out_until=NOON + 3 * SECOND,
        returned_at=NOON + 4 * SECOND,
        forecast_at=NOON + 1,
    )
    told = shapes.alarm_json(WET, alarm, LEAK, None)
    assert told["acknowledged_by"] == "keeper"
    assert told["acknowledged_at"] == "2026-05-01T12:00:00Z"
    assert told["check_in_at"] == "2026-05-01T12:00:01Z"
    assert told["shelved_until"] == "2026-05-01T12:00:02Z"
    assert told["out_until"] == "2026-05-01T12:00:03Z"
    assert told["returned_at"] == "2026-05-01T12:00:04Z"
    assert told["forecast"] == "2026-05-01T12:00:00.000001Z"


def test_an_event_has_the_fields_of_the_contract() -> None:
    assert shapes.event_json(StoredEvent(7, NOON, raised())) == {
        "seq": 7,
        "time": "2026-05-01T11:59:00Z",
        "committed_at": "2026-05-01T12:00:00Z",
        "kind": "raised",
        "rule": "sump-level-high",
        "channel": "harbour-hall/sump-node/level",
        "from": "normal",
        "to": "unacknowledged",
        "service_from": "in-service",
        "service_to": "in-service",
        "value": 312.0,
        "annunciated": True,
        "who": None,
        "comment": "",
        "late": False,
        "drill": False,
        "message": "312 mm, at or above 310 mm",
    }


def test_a_service_event_has_no_rule_and_no_states() -> None:
    told = shapes.event_json(StoredEvent(8, NOON, Event(NOON, "service-started")))
    nothing = ("rule", "channel", "from", "to", "service_from", "service_to", "value", "who")
    assert [told[name] for name in nothing] == [None] * 8


def test_live_messages_are_what_the_control_socket_says() -> None:
    stored = StoredEvent(7, NOON, raised())
    assert shapes.live_event(stored) == {"event": shapes.event_json(stored)}
    newest = {LEVEL.id: Newest(NOON, 212.0, Quality.UNCERTAIN, "warming up")}
    assert shapes.live_readings(newest) == {"readings": {LEVEL.id: [NOON, 212.0, "uncertain"]}}


def test_a_discrepancy_names_what_it_expects() -> None:
    assert shapes.alarm_json(NO_FLOW, RAISED, FLOW, None)["limit"] == "at least 5000 L/h expected"
