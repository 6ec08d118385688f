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
        "mains-restored": "low flow while the mains are back for half an hour: "
        "docs/catalogue-rules.md has the three rules.",
        "mains-unstable": "the mains sense off for 5 s, or its starts counted in an hour.",
        "circuit-lost": "two pumps without flow while the mains are present.",
        "battery-low": "the battery's charge below 30 %.",
        "room-too-hot": "the room above 29 °C for half an hour.",
        "probe-silent": "kind bad-measurement with silent = true on each channel that a "
        "grave alarm stands on.",
        "probe-frozen": "kind bad-measurement with frozen_s on a reading that always trembles.",
        "probe-drift": "kind deviation from a twin probe.",
        "supply-water-stuck-open": "the reservoir's level half way from full to its rim, or its "
        "filler on for a quarter of an hour.",
        "skimmer-overflow": "a float in the skimmer's cup, for 10 s.",
        "circulation-lost": "the power of the circulation pumps well below usual, for half an "
        "hour.",
        "oxygen-low": "oxygen below 4 mg/L in a display, for two minutes.",
        "chiller-failed": "temperature above 27.5 °C for half an hour.",
        "ph-high": "pH above 8.6, or rising by 0.2 within an hour.",
        "ph-low-room-co2": "pH below 7.7 for half an hour.",
        "reactor-co2-runaway": "pH of the reactor's chamber below 6.2, and of the system falling "
        "by 0.2 within an hour.",
        "reactor-effluent-off": "the reactor's effluent at half its usual flow.",
        "alkalinity-overdose": "alkalinity above 12 dKH, or rising by half a dKH within a day.",
        "doser-stuck-on": "the doser's pump on for a quarter of an hour.",
        "ammonia-high": "ammonia above 0.2 mg/L for ten minutes.",
        "electrical-overheat": "a socket strip above 60 °C, or a smoke contact.",
        "room-co2-high": "carbon dioxide in the room above 2000 ppm.",
        "node-offline": "Built in: node-offline/<node>.",
    },
)
