"""`[[derived]]`: what it becomes, and every mistake with its cure."""

from collections.abc import Callable
from pathlib import Path

import pytest

from weirwatch.config import check, load
from weirwatch.domain.instant import SECOND

Write = Callable[[str], Path]

PROBES = """
[[channel]]
id = "hall/sump-node/conductivity"
quantity = "conductivity"
unit = "uS/cm"
expected_every_s = 5
[[channel]]
id = "hall/sump-node/temperature"
quantity = "temperature"
unit = "degF"
expected_every_s = 5
"""
SALINITY = """
[[derived]]
id = "hall/sump-node/salinity"
formula = "salinity"
inputs.conductivity = "hall/sump-node/conductivity"
inputs.temperature = "hall/sump-node/temperature"
valid = [5, 42]
"""
DENSITY = """
[[derived]]
id = "hall/sump-node/density"
formula = "density"
inputs = { salinity = "hall/sump-node/salinity", temperature = "hall/sump-node/temperature" }
"""
RULE = """
[[rule]]
id = "salinity-drift"
kind = "absolute"
channel = "hall/sump-node/salinity"
high = 37
deadband = 0.3
failure = "salinity-drift"
response = "Look at the top-off."
"""


def test_a_derived_channel_is_a_channel_with_rules(write: Write, good: str) -> None:
    settings = load(write(good + PROBES + SALINITY + DENSITY + RULE))
    channel = next(c for c in settings.channels if c.id == "hall/sump-node/salinity")
    assert (channel.quantity, channel.unit, channel.valid) == ("salinity", "psu", (5.0, 42.0))
    assert channel.expected_every == 60 * SECOND
    assert channel.silent_after == 180 * SECOND
    assert [derived.formula for derived in settings.derived] == ["salinity", "density"]
    assert settings.derived[0].constants == {"compensation_per_k": 0.0}
    assert any(rule.channel == channel.id for rule in settings.rules)
    nodes = [rule.id for rule in settings.rules if rule.id.startswith("node-offline")]
    assert nodes == ["node-offline/sump-node", "node-offline/power-node"]


def one_error(path: Path, *words: str) -> None:
    errors = check(path).errors
    assert len(errors) == 1, errors
    for word in words:
        assert word in errors[0]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('formula = "salinity"', 'formula = "salinty"', ("is no formula", 'mean "salinity"?')),
        ("conductivity = ", "conductivty = ", ("conductivty: is no input",)),
        ('hall/sump-node/temperature"', 'hall/sump-node/level"', ("is in mm", "Cel")),
        ('hall/sump-node/temperature"', 'hall/power-node/mains"', ("is a switch",)),
        ('hall/sump-node/temperature"', 'hall/sump-node/temp"', ("is no channel",)),
        ('id = "hall/sump-node/salinity"', 'id = "hall/lab/salinity"', ("has no channel",)),
        ('id = "hall/sump-node/salinity"', 'id = "hall/sump-node/level"', ("[[channel]] already",)),
        ("valid = [5, 42]", "valid = [42, 5]", ("from low to high",)),
        ("valid = [5, 42]", "constants = { a = 1 }", ("a: is no constant",)),
        ('inputs.conductivity = "hall/sump-node/conductivity"', "", ("lacks cond",)),
    ],
)  # fmt: skip
def test_mistakes(write: Write, good: str, old: str, new: str, words: tuple[str, ...]) -> None:
    assert old in SALINITY
    path = write(good + PROBES + SALINITY.replace(old, new))
    errors = check(path).errors
    assert errors
    assert any(all(word in error for word in words) for error in errors), errors


def test_a_constant_that_nobody_tells(write: Write, good: str) -> None:
    turnover = """
[[derived]]
id = "hall/sump-node/turnover"
formula = "turnover"
inputs = { flow = "hall/sump-node/flow" }
"""
    one_error(write(good + turnover), "lacks volume_l", "[plant]")
    told = turnover + "constants = { volume_l = 2860 }\n"
    assert load(write(good + told)).derived[0].constants == {"volume_l": 2860.0}


def test_exactly_one_way_to_tell_evaporation(write: Write, good: str) -> None:
    text = """
[[derived]]
id = "hall/sump-node/evaporation"
formula = "evaporation"
inputs = {}
"""
    assert any("must name exactly one" in e for e in check(write(good + text)).errors)


def test_no_circle(write: Write, good: str) -> None:
    circle = DENSITY.replace('"hall/sump-node/salinity"', '"hall/sump-node/density"')
    assert any("computed from itself" in e for e in check(write(good + PROBES + circle)).errors)


def test_a_tap_cannot_feed_what_is_computed(write: Write, good: str) -> None:
    tap = '\n[[tap]]\ntopic = "shed/x"\nchannel = "hall/sump-node/salinity"\n'
    one_error(write(good + PROBES + SALINITY + tap), "is a derived channel")


def test_the_plant_tells_its_constants() -> None:
    demo = Path(__file__).parents[2] / "deploy" / "harbour-hall.toml"
    plant = load(demo).plant
    assert plant is not None
    from weirwatch.config.derived_checks import plant_constants

    told = plant_constants(plant)
    assert told["turnover"]["volume_l"] == 2860.0
    margin = told["drain-back-margin"]
    # The page of the simulator: about 80 l run back; the sump has 120 l to its rim.
    assert 20 < margin["drain_back_l"] < 120
    assert told["evaporation"] == {"rate_l_h": 30.0, "area_m2": 0.2}
