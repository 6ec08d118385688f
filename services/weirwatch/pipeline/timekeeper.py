"""Engine now: the wall clock as long as it can be trusted, and never backwards.

A board without a battery clock boots in the past, and a wall clock can be set back. Engine now
then goes on from the last committed instant with the monotonic clock, and the clock counts as
untrusted until the wall clock has passed it.
"""

from weirwatch.domain.instant import SECOND, Micros
from weirwatch.ports import Clock

TOLERANCE: Micros = 1 * SECOND  # small steps back are ordinary clock discipline


class Timekeeper:
    """Gives engine now; used by the loop thread only."""

    def __init__(self, clock: Clock, floor: Micros | None) -> None:
        """Start at the wall clock, or at `floor` (last committed instant) if that is later."""
        self._clock = clock
        moment = clock.now()
        self._value = max(moment.utc, floor if floor is not None else moment.utc)
        self._mono = moment.mono
        self._set_forward: Micros = 0
        self.behind: Micros = self._value - moment.utc

    @property
    def trusted(self) -> bool:
        """Whether the wall clock is not behind what was already committed."""
        return self.behind <= TOLERANCE

    def now(self) -> Micros:
        """Return engine now."""
        moment = self._clock.now()
        going_on = self._value + max(0, moment.mono - self._mono)
        self._mono = moment.mono
        self._value = moment.utc if moment.utc >= self._value else going_on
        if self._value - going_on > TOLERANCE:
            self._set_forward += self._value - going_on
        self.behind = self._value - moment.utc
        return self._value

    def set_forward(self) -> Micros:
        """Return how far engine now has jumped since this was last asked; 0: it has not.

        The wall clock was set forward, or the machine slept: nobody could be heard in that span.
        """
        span, self._set_forward = self._set_forward, 0
        return span
