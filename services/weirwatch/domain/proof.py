"""Proof tests of sensors: what is done by hand, safely, and what the channel must then show.

The steps and reactions are common practice of the trade, without a published source. No step puts
hands into water with the power on, and none defeats a protective device.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.quantity import converter
from weirwatch.domain.reading import Channel
from weirwatch.domain.rule import Rule

_DRY = "Stay out if the floor is wet. Switch off only from a dry place away from the water."
_OFF = (
    "Before hands go in: switch off every device in that water at its breaker, and see that it "
    "cannot come back by itself. Local codes and licensed practice decide."
)
_GUARD = "Leave every cut-out, float in series, GFCI and RCD in place and working."


@dataclass(frozen=True, slots=True)
class Sensor:
    """One kind of sensor, and how it is proved.

    Attributes:
        steps: in order, in safe wording.
        change: least change that counts, in `unit`; 0 with a switch: it turns over.
        within: from the first reading on; the reaction must be seen in that time.
        every_days: between two proofs, if the configuration says nothing.
    """

    name: str
    steps: tuple[str, ...]
    change: float
    unit: str
    within: Micros
    every_days: float


SENSORS: Mapping[str, Sensor] = {
    sensor.name: sensor
    for sensor in (
        Sensor(
            "temperature",
            (_DRY, _OFF,
             "Lift the probe out by its cable and put it into a cup of water a few kelvin colder.",
             "Put it back where it was, then power on from a dry place."),
            1.0, "Cel", 300 * SECOND, 365.0,
        ),
        Sensor(
            "ph",
            (_DRY, _OFF, "Gloves and goggles: buffers are chemicals; none goes into the tank.",
             "Rinse the probe and put it into a buffer far from the water's pH, such as pH 7.",
             "Rinse it, put it back, then power on from a dry place."),
            0.5, "pH", 300 * SECOND, 90.0,
        ),
        Sensor(
            "level",
            (_DRY, _OFF,
             "Lift or lower the sensor by hand by 3 cm; with a pressure tube lift its end.",
             "Put it back at its mark, then power on from a dry place."),
            15.0, "mm", 120 * SECOND, 182.0,
        ),
        Sensor(
            "flow",
            (_DRY, "Keep your hands dry: touch only the valve's handle, outside the water.",
             "Throttle the line at its own valve for a minute; never shut it.",
             "Open the valve to its mark again."),
            0.2, "", 180 * SECOND, 182.0,
        ),
        Sensor(
            "conductivity",
            (_DRY, _OFF, "Rinse the probe and put it into a cup of fresh water.",
             "Put it back free of bubbles, then power on from a dry place."),
            5.0, "mS/cm", 300 * SECOND, 182.0,
        ),
        Sensor(
            "leak",
            (_DRY, "Lay a wet cloth on the contact, away from every plug, strip and cable.",
             "Take the cloth away and dry contact and floor."),
            0.0, "", 60 * SECOND, 90.0,
        ),
        Sensor(
            "float",
            (_DRY, _OFF, _GUARD,
             "Lift the float with a plastic rod until it turns over, and let it sink again.",
             "Then power on from a dry place."),
            0.0, "", 60 * SECOND, 90.0,
        ),
        Sensor(
            "mains",
            (_DRY, "Keep a torch at hand and tell everybody in the house.", _GUARD,
             "Press the test button of the GFCI or RCD that feeds the sensor; no wire is touched.",
             "Wait for the reaction, then switch it on again, once, from a dry place. If it trips "
             "again leave it off and call a licensed electrician."),
            0.0, "", 60 * SECOND, 182.0,
        ),
    )
}  # fmt: skip

_QUANTITIES = {
    "temperature": "temperature",
    "ph": "ph",
    "level": "level",
    "flow": "flow",
    "conductivity": "conductivity",
    "salinity": "conductivity",
}
# A switch is known by the failure that its rule tells of.
_FAILURES = {
    "floor-leak": "leak",
    "mains-lost": "mains",
    "sump-high": "float",
    "sump-low": "float",
    "overflow-blocked": "float",
    "supply-water-stuck-open": "float",
}


def sensor_of(channel: Channel, rules: Iterable[Rule]) -> Sensor | None:
    """Return how a channel's sensor is proved; None: there is no proof for its kind."""
    if not channel.is_switch:
        name = _QUANTITIES.get(channel.quantity, "")
        return SENSORS.get(name)
    told = (_FAILURES.get(rule.failure, "") for rule in rules if rule.channel == channel.id)
    return next((SENSORS[name] for name in told if name), None)


def reacted(channel: Channel, sensor: Sensor, before: float, now: float) -> bool:
    """Return whether the change from one value to another is the reaction that was to be seen.

    A flow must change by a share of what it was; everything else by an amount.
    """
    if channel.is_switch:
        return (before != 0.0) is not (now != 0.0)
    return abs(now - before) >= _change(channel, sensor, before) and now != before


def returned(channel: Channel, sensor: Sensor, before: float, now: float) -> bool:
    """Return whether a channel shows again what it did before its proof, to half the reaction."""
    if channel.is_switch:
        return (before != 0.0) is (now != 0.0)
    return abs(now - before) <= _change(channel, sensor, before) / 2


def _change(channel: Channel, sensor: Sensor, before: float) -> float:
    if sensor.name == "flow":
        return sensor.change * abs(before)
    try:
        scale, _ = converter(sensor.unit, channel.unit)
    except ValueError:  # salinity: in its own unit, where fresh water is far away as well
        scale = 1.0
    return sensor.change * abs(scale)


def quiet_rules(channel: str, rules: Sequence[Rule]) -> tuple[str, ...]:
    """Return the rules on a channel that may be kept quiet in its proof: never a bold failure's."""
    return tuple(rule.id for rule in rules if rule.channel == channel and not rule.bold)
