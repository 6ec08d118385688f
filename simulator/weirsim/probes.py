"""From the truth to a reading: lag, noise, drift, steps, saturation, dropped samples, stuck."""

from collections.abc import Callable
from decimal import Decimal
from math import exp
from random import Random

from weirsim.instruments import ProbeSpec


class Probe:
    """One probe of a node that samples at a fixed interval.

    Args:
        spec: how good it is.
        read: the truth now.
        every_s: seconds between two samples.
        rng: its own randomness, so that no other probe changes its noise.
    """

    __slots__ = ("_decimals", "_follow", "_lagged", "_last", "_read", "_rng", "spec")

    def __init__(
        self, spec: ProbeSpec, read: Callable[[], float], every_s: float, rng: Random
    ) -> None:
        self.spec = spec
        self._read = read
        self._rng = rng
        self._follow = 1.0 - exp(-every_s / spec.lag_s) if spec.lag_s > 0.0 else 1.0
        exponent = Decimal(str(spec.resolution)).normalize().as_tuple().exponent
        self._decimals = max(0, -exponent) if isinstance(exponent, int) else 0
        self._lagged: float | None = None
        self._last: float | None = None

    def sample(self, frozen: bool = False, drift: float = 0.0) -> float | None:
        """Return the next reading, or None for one that never comes.

        Args:
            frozen: repeat the last reading.
            drift: offset as a share of the probe's range (of its value without a range).
        """
        spec, truth = self.spec, self._read()
        if self._lagged is None:
            self._lagged = truth
        else:
            self._lagged += (truth - self._lagged) * self._follow
        if spec.drop_share > 0.0 and self._rng.random() < spec.drop_share:
            return None
        if not (frozen and self._last is not None):
            self._last = self._rounded(self._lagged, drift)
        return self._last

    def power_up(self) -> None:
        """Forget the past, as a node does that was without power."""
        self._lagged = self._last = None

    def _rounded(self, value: float, drift: float) -> float:
        spec = self.spec
        if value < spec.starts_at:
            value = 0.0
        elif spec.noise > 0.0:
            value += self._rng.gauss(0.0, spec.noise)
        if drift:
            value += drift * (spec.valid[1] - spec.valid[0] if spec.valid else value)
        if spec.resolution > 0.0:
            value = round(round(value / spec.resolution) * spec.resolution, self._decimals)
        if spec.valid is not None:
            value = min(max(value, spec.valid[0]), spec.valid[1])
        return value
