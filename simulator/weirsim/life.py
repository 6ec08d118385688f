"""Placeholder for what lives in the water: an empirical day/night swing of pH, and no chemistry.

The water tends to one pH with the lights on and to another in the dark, with one time constant.
The three numbers are common practice, no source; nothing else moves this pH: not the room's air,
no reactor, no dose. Carbonate chemistry and oxygen are to replace this file.
"""

from math import exp

_LIGHT_PH = 8.32
_DARK_PH = 7.98
_TIME_CONSTANT_S = 5 * 3600.0


class Acidity:
    """The pH of all the water, by the placeholder.

    Attributes:
        ph: NBS scale.
    """

    __slots__ = ("ph",)

    def __init__(self, ph: float = 8.15) -> None:
        self.ph = ph

    def step(self, lights: bool, dt_s: float) -> None:
        """Move towards the pH of light or dark; exact for any step."""
        target = _LIGHT_PH if lights else _DARK_PH
        self.ph = target + (self.ph - target) * exp(-dt_s / _TIME_CONSTANT_S)
