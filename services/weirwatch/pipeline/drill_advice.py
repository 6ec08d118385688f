"""What a drill suggests when it misses: the rule that usually catches each failure."""

from collections.abc import Mapping
from types import MappingProxyType

ADVICE: Mapping[str, str] = MappingProxyType(
    {
        "return-pump-stopped": "low flow in the return, at a quarter of the usual flow, with "
        "an on-delay just beyond a feeding pause (660 s).",
        "return-flow-reduced": "low flow in the return, at four fifths of the usual flow, "
        "for half an hour.",
        "sump-high": "the sump's level above its drain-back, for a minute, and a float near "
        "the rim without suppression.",
        "sump-low": "the sump's level below what the top-off keeps, for five minutes.",
        "overflow-blocked": "high level in each display, a little above its weir's head, "
        "for 15 s: it runs over within a minute or two.",
        "floor-leak": "a contact on the floor that is closed while it is dry, for 5 s.",
        "vessel-leaking": "the top-off pump on for much longer than one stroke of its float.",
        "top-off-stuck-on": "the top-off pump on although the sump stands above its float.",
        "top-off-stuck-off": "the top-off pump off although the sump stands below its float.",
        "reservoir-empty": "low level in the reservoir, with a day's water left.",
        "salinity-drift": "conductivity away from its usual value for half an hour.",
        "skimmer-flow-lost": "low flow in the skimmer for half an hour.",
        "side-loop-flow-lost": "low flow in each loop, at half its usual flow, for a quarter "
        "of an hour.",
        "temperature-extreme": "temperature of a display below 22.5 or above 28.5 °C.",
        "heater-stuck-on": "heater power where none is expected, while the water is warm.",
        "heater-failed-off": "no heater power where some is expected, while the water is cold.",
        "light-stuck": "the lights' switch on between times when they are off.",
        "mains-lost": "a mains sense on a node with a battery, for 5 s.",
        "mains-restored": "what does not come back is told by the rule of its own flow, with "
        "a hold-off after mains-lost shorter than harm.",
        "mains-unstable": "the mains sense off for 5 s, or its starts counted in an hour.",
        "circuit-lost": "two pumps without flow while the mains are present.",
        "battery-low": "the battery's charge below 30 %.",
        "room-too-hot": "the room above 29 °C for half an hour.",
        "probe-silent": "kind bad-measurement with silent = true on each channel that a "
        "grave alarm stands on.",
        "probe-frozen": "kind bad-measurement with frozen_s on a reading that always trembles.",
        "probe-drift": "kind deviation from a twin probe.",
        "node-offline": "Built in: node-offline/<node>.",
    },
)
