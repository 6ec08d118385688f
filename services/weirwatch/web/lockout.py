"""The home of patience: who has failed too often waits, and nobody asks too much at once."""

from collections import OrderedDict
from dataclasses import dataclass

from weirwatch.domain.instant import SECOND, Micros

FREE_FAILURES = 5
FIRST_PAUSE: Micros = 30 * SECOND
LONGEST_PAUSE: Micros = 3600 * SECOND
FORGIVEN_AFTER: Micros = 3600 * SECOND  # since the last failure and its pause
_MOST = 4096  # addresses remembered; the longest untouched goes first


@dataclass(slots=True)
class _Failures:
    count: int = 0
    until: Micros = 0


class Lockout:
    """Counts failures by address; times are real monotonic microseconds. Not thread-safe."""

    def __init__(self) -> None:
        self._failures: OrderedDict[str, _Failures] = OrderedDict()

    def remaining(self, who: str, now: Micros) -> Micros:
        """Return how long this address must still wait; 0: not at all."""
        known = self._failures.get(who)
        return max(0, known.until - now) if known else 0

    def failed(self, who: str, now: Micros) -> Micros:
        """Count a failure; return the pause that it brings, twice as long each time."""
        known = self._failures.pop(who, None)
        if known is None or now - known.until > FORGIVEN_AFTER:
            known = _Failures()
        known.count += 1
        excess = known.count - FREE_FAILURES
        pause = 0 if excess < 0 else min(FIRST_PAUSE << min(excess, 20), LONGEST_PAUSE)
        known.until = now + pause
        self._failures[who] = known
        if len(self._failures) > _MOST:
            self._failures.popitem(last=False)
        return pause

    def succeeded(self, who: str) -> None:
        """Forget the failures of an address."""
        self._failures.pop(who, None)


class RateLimit:
    """A bucket for each address: `burst` requests at once, then `per_second`. Not thread-safe."""

    def __init__(self, per_second: float = 100.0, burst: float = 1000.0) -> None:
        self._per_second = per_second
        self._burst = burst
        self._buckets: OrderedDict[str, tuple[float, Micros]] = OrderedDict()

    def wait_s(self, who: str, now: Micros) -> float:
        """Take one request; return 0, or how many seconds to wait when there is none left."""
        left, then = self._buckets.pop(who, (self._burst, now))
        left = min(self._burst, left + (now - then) / SECOND * self._per_second)
        allowed = left >= 1
        self._buckets[who] = (left - 1 if allowed else left, now)
        if len(self._buckets) > _MOST:
            self._buckets.popitem(last=False)
        return 0.0 if allowed else (1 - left) / self._per_second
