"""From the truth to a reading: lag, noise, steps, saturation, and what is wrong with a probe."""

from collections.abc import Callable
from decimal import Decimal
from math import exp, inf
from random import Random

import numpy as np

from weirsim.instruments import ProbeSpec
from weirsim.upset import ProbeTrouble

_FOULED_LAG_S = 1800.0  # time constant that growth adds at 1; no source
_BUBBLE_REACH = 0.3  # of its range: how far a bubble throws a reading off at most; no source
_NOISE_BLOCK = 512  # drawn at once, which takes a tenth of the time
_BUFFER_PH = 7.0  # of the calibration cup at 25 °C


class Probe:
    """One probe of a node that samples at a fixed interval.

    Args:
        spec: how good it is.
        read: the truth now.
        every_s: seconds between two samples.
        rng: its own randomness, so that no other probe changes its noise.
        cup: what it reads in its calibration cup; None: a middle value.
    """

    __slots__ = (
        "_cup",
        "_decimals",
        "_drops",
        "_every_s",
        "_follow",
        "_held_s",
        "_high",
        "_lagged",
        "_last",
        "_low",
        "_noise",
        "_normal",
        "_range",
        "_read",
        "_rng",
        "_rounds",
        "_spread",
        "_starts_at",
        "_step",
        "spec",
    )

    def __init__(
        self,
        spec: ProbeSpec,
        read: Callable[[], float],
        every_s: float,
        rng: Random,
        cup: Callable[[], float] | None = None,
    ) -> None:
        self.spec = spec
        self._read = read
        self._rng = rng
        self._normal = np.random.Generator(np.random.PCG64(rng.getrandbits(64)))
        self._noise: list[float] = []
        self._every_s = every_s
        self._follow = _follow(every_s, spec.lag_s)
        exponent = Decimal(str(spec.resolution)).normalize().as_tuple().exponent
        self._decimals = max(0, -exponent) if isinstance(exponent, int) else 0
        # a resolution that is a power of ten needs no division
        self._step = 0.0 if spec.resolution == 10.0**-self._decimals else spec.resolution
        self._rounds = spec.resolution > 0.0
        self._spread, self._starts_at, self._drops = spec.noise, spec.starts_at, spec.drop_share
        self._low, self._high = spec.valid or (-inf, inf)
        self._range = self._high - self._low if spec.valid else 0.0
        self._cup = cup if cup is not None else self._middle
        self._lagged: float | None = None
        self._last: float | None = None
        self._held_s = 0.0

    def sample(self, wrong: ProbeTrouble | None = None) -> float | None:
        """Return the next reading, or None for one that never comes.

        Args:
            wrong: what is wrong with it now; None: nothing.
        """
        hold_s = self.spec.hold_s
        if hold_s > 0.0 and self._last is not None:
            self._held_s += self._every_s
            if self._held_s < hold_s and wrong is None:
                return self._last  # an analyser repeats its last result
            self._held_s %= hold_s
        if wrong is not None:
            return self._troubled(wrong)
        lagged, truth = self._lagged, self._read()
        if lagged is not None:
            truth = lagged + (truth - lagged) * self._follow
        self._lagged = truth
        if self._drops > 0.0 and self._rng.random() < self._drops:
            return None
        self._last = reading = self._rounded(truth)
        return reading

    def repeat(self, value: float) -> float:
        """Return a recorded reading as it is, and take note of it."""
        self._lagged = self._last = value
        return value

    def power_up(self) -> None:
        """Forget the past, as a node does that was without power."""
        self._lagged = self._last = None

    def _troubled(self, wrong: ProbeTrouble) -> float | None:
        truth = self._cup() if wrong.in_cup else self._read()
        follow = self._follow
        if wrong.fouled > 0.0:
            follow = _follow(self._every_s, self.spec.lag_s + wrong.fouled * _FOULED_LAG_S)
        lagged = self._lagged
        self._lagged = truth if lagged is None else lagged + (truth - lagged) * follow
        if wrong.silent:
            return None
        drop_share = max(self.spec.drop_share, wrong.dropped)
        if drop_share > 0.0 and self._rng.random() < drop_share:
            return None
        if not (wrong.frozen and self._last is not None):
            spread = self._range or abs(self._lagged)
            value = self._lagged + wrong.drift * spread
            if wrong.bubble > 0.0 and self._rng.random() < wrong.bubble:
                value -= self._rng.random() * _BUBBLE_REACH * spread
            self._last = self._rounded(value)
        return self._last

    def _rounded(self, value: float) -> float:
        if value < self._starts_at:
            value = 0.0
        elif self._spread > 0.0:
            if not self._noise:
                self._noise = self._normal.standard_normal(_NOISE_BLOCK).tolist()
            value += self._spread * self._noise.pop()
        if self._step > 0.0:
            value = round(value / self._step) * self._step
        if self._rounds:
            value = round(value, self._decimals)
        if value < self._low:
            return self._low
        return self._high if value > self._high else value

    def _middle(self) -> float:
        valid = self.spec.valid
        if self.spec.quantity == "ph":
            return _BUFFER_PH
        return 0.5 * (valid[0] + valid[1]) if valid else 0.0


def _follow(every_s: float, lag_s: float) -> float:
    return 1.0 - exp(-every_s / lag_s) if lag_s > 0.0 else 1.0
