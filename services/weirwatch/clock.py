"""The only reader of time.

`SystemClock` is the machine's; `ScaledClock` runs faster from a given moment on, for the demo;
both start from one JSON text so that two processes can share one scaled time line.
"""

import json
import time
from dataclasses import dataclass
from typing import Any

from weirwatch.domain.instant import Instant, Micros


class SystemClock:
    """The machine's clocks."""

    speed = 1.0

    def now(self) -> Instant:
        """Return wall clock and monotonic clock."""
        return Instant(time.time_ns() // 1000, time.monotonic_ns() // 1000)

    def real_mono(self) -> Micros:
        """Return the monotonic clock."""
        return time.monotonic_ns() // 1000

    def as_json(self) -> str:
        """Return the text that `clock_from_json` makes the same clock of."""
        return json.dumps({"speed": 1.0})


@dataclass(frozen=True, slots=True)
class ScaledClock:
    """Service time that runs `speed` times faster than real time.

    Attributes:
        speed: 1 to 60.
        origin_utc: service time at `origin_mono`.
        origin_mono: the machine's monotonic clock at the start (shared by all processes).
    """

    speed: float
    origin_utc: Micros
    origin_mono: Micros

    def now(self) -> Instant:
        """Return scaled time; it never jumps."""
        span = round((self.real_mono() - self.origin_mono) * self.speed)
        return Instant(self.origin_utc + span, span)

    def real_mono(self) -> Micros:
        """Return the unscaled monotonic clock."""
        return time.monotonic_ns() // 1000

    def as_json(self) -> str:
        """Return the text that `clock_from_json` makes the same clock of."""
        return json.dumps(
            {"speed": self.speed, "origin_utc": self.origin_utc, "origin_mono": self.origin_mono}
        )


def scaled_clock(speed: float, origin_utc: Micros) -> ScaledClock:
    """Return a clock that shows `origin_utc` now and runs `speed` times faster."""
    return ScaledClock(speed, origin_utc, time.monotonic_ns() // 1000)


def clock_from_json(text: str | None) -> SystemClock | ScaledClock:
    """Return the clock described by `as_json`, the system's for None."""
    facts: dict[str, Any] = json.loads(text) if text else {}
    if "origin_utc" not in facts:
        return SystemClock()
    return ScaledClock(facts["speed"], facts["origin_utc"], facts["origin_mono"])
