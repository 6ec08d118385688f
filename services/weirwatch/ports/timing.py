"""The port of time."""

from typing import Protocol

from weirwatch.domain.instant import Instant, Micros


class Clock(Protocol):
    """The only source of time. A scaled clock runs `speed` times faster than real time."""

    @property
    def speed(self) -> float:
        """How many times faster than real time service time runs."""
        ...

    def now(self) -> Instant:
        """Return service time: utc may jump with the wall clock, mono never goes back."""
        ...

    def real_mono(self) -> Micros:
        """Return unscaled monotonic time, for commit intervals, retries and keepalives."""
        ...
