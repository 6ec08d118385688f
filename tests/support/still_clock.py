"""A clock that stands until a test moves it; its two halves can be moved apart."""

from weirwatch.domain.instant import SECOND, Instant, Micros, from_rfc3339, micros

NOON: Micros = from_rfc3339("2026-05-01T12:00:00Z")


class HandClock:
    """Implements `ports.Clock`."""

    def __init__(self, utc: Micros = NOON, speed: float = 1.0) -> None:
        self.utc = utc
        self.mono: Micros = 1000 * SECOND
        self.speed = speed

    def now(self) -> Instant:
        return Instant(self.utc, self.mono)

    def real_mono(self) -> Micros:
        return self.mono

    def go(self, seconds: float) -> None:
        """Let time pass on both clocks."""
        self.utc += micros(seconds)
        self.mono += micros(seconds)

    def set_wall(self, utc: Micros) -> None:
        """Set the wall clock, as a person or a time server does."""
        self.utc = utc
