"""Proof tests of sensors: what counts as a reaction, and that no step puts anybody at risk."""

import pytest
from support.loop_world import LEVEL, settings_of

from weirwatch.domain.proof import SENSORS, quiet_rules, reacted, returned, sensor_of
from weirwatch.domain.reading import Channel


def channel(quantity: str, unit: str = "") -> Channel:
    return Channel("hall/node/x", quantity, unit)


@pytest.mark.parametrize(
    ("sensor", "unit", "before", "least"),
    [
        ("temperature", "Cel", 25.0, 24.0),
        ("temperature", "degF", 77.0, 75.2),
        ("ph", "pH", 8.2, 7.7),
        ("level", "mm", 300.0, 315.0),
        ("level", "m", 0.3, 0.315),
        ("flow", "L/h", 6000.0, 4800.0),
        ("conductivity", "mS/cm", 53.0, 48.0),
    ],
)
def test_a_reaction_is_a_change_of_at_least_so_much(
    sensor: str, unit: str, before: float, least: float
) -> None:
    probe = channel(sensor, unit)
    beyond = before + (least - before) * 1.001
    short = before + (least - before) * 0.99
    assert reacted(probe, SENSORS[sensor], before, beyond)
    assert not reacted(probe, SENSORS[sensor], before, short)
    half = before + (least - before) * 0.5
    assert returned(probe, SENSORS[sensor], before, before + (half - before) * 0.999)
    assert not returned(probe, SENSORS[sensor], before, before + (half - before) * 1.001)
    assert sensor_of(probe, ()) is SENSORS[sensor]


@pytest.mark.parametrize("sensor", ["leak", "float", "mains"])
def test_a_contact_turns_over(sensor: str) -> None:
    assert reacted(channel("switch"), SENSORS[sensor], 0.0, 1.0)
    assert reacted(channel("switch"), SENSORS[sensor], 1.0, 0.0)
    assert not reacted(channel("switch"), SENSORS[sensor], 1.0, 1.0)
    assert returned(channel("switch"), SENSORS[sensor], 1.0, 1.0)
    assert not returned(channel("switch"), SENSORS[sensor], 0.0, 1.0)


def test_a_dead_flow_meter_does_not_react() -> None:
    assert not reacted(channel("flow", "L/h"), SENSORS["flow"], 0.0, 0.0)


def test_a_switch_is_known_by_what_its_rule_tells() -> None:
    settings = settings_of()
    leak = next(c for c in settings.channels if c.id.endswith("/leak"))
    assert sensor_of(leak, settings.rules) is SENSORS["leak"]
    assert sensor_of(leak, ()) is None
    assert sensor_of(channel("charge", "%"), settings.rules) is None


def test_a_bold_failure_is_never_kept_quiet() -> None:
    settings = settings_of()
    assert quiet_rules(LEVEL, settings.rules) == ("sump-high", "sump-low")
    assert quiet_rules("harbour-hall/hall-node/leak", settings.rules) == ()


@pytest.mark.parametrize("sensor", SENSORS.values(), ids=lambda sensor: sensor.name)
def test_no_step_puts_anybody_at_risk(sensor: object) -> None:
    assert sensor in SENSORS.values()
    steps = next(s.steps for s in SENSORS.values() if s is sensor)
    text = " ".join(steps).lower()
    assert steps[0].startswith("Stay out if the floor is wet.")
    # Out of water by hand: the power is off before, and on again from a dry place only.
    if any(word in text for word in ("lift the", "put it into", "lift or lower")):
        assert steps[1].startswith("Before hands go in: switch off every device")
        assert "power on from a dry place" in text
    for word in ("bypass", "defeat", "bridge", "unplug", "short-circuit", "reach in"):
        assert word not in text
