"""Signs of life to an address of the keeper's choice, sent only while the loop really turns.

Whoever receives them says when they stay away: a dead machine cannot say so itself.
"""

import logging
import random
import threading
from collections.abc import Callable
from typing import Any

from weirwatch.domain.errors import TransientError
from weirwatch.domain.instant import Micros, to_rfc3339
from weirwatch.ports import Clock, SignOfLife, SignsOfLife

log = logging.getLogger(__name__)

TOLD_AFTER = 3  # failures in a row until it counts as a problem
FIRST_PAUSE_S = 1.0
LOOK_AGAIN_S = 1.0  # while the loop does not turn


class Heartbeat:
    """Sends one sign of life after the other on a thread of its own.

    After one that is not taken the next comes after 1, 2, 4 … s, never later than usual unless the
    other side asks for more patience. None is kept for later: a late one would be a lie.
    """

    def __init__(
        self,
        out: SignsOfLife,
        every_s: float,
        turning: Callable[[], bool],
        status: Callable[[], str],
        clock: Clock,
        told: Callable[[str, str], None],
    ) -> None:
        """Wire it up.

        Args:
            out: takes the signs.
            every_s: real seconds between two of them.
            turning: whether the loop has turned of late.
            status: "ok" or "degraded"; goes with each sign.
            clock: dates the last success.
            told: is handed kind and sentence of what belongs on record.
        """
        self._out = out
        self._every_s = every_s
        self._turning = turning
        self._status = status
        self._clock = clock
        self._told = told
        self._ending = threading.Event()
        self._in_a_row = 0  # failures
        self._error = ""
        self._taken_at: Micros | None = None
        self.taken = 0
        self.failures = 0
        self.withheld = 0

    def run(self) -> None:
        """Send until `stop`; no trouble ends the thread."""
        pause = 0.0
        while not self._ending.wait(pause):
            pause = self.beat_once()

    def stop(self) -> None:
        """End after the sign under way."""
        self._ending.set()

    def beat_once(self) -> float:
        """Send one sign if the loop turns; return real seconds until the next."""
        if not self._turning():
            self.withheld += 1
            return min(LOOK_AGAIN_S, self._every_s)
        number = self.taken + self.failures + 1
        try:
            self._out.send(SignOfLife(number, self._every_s, self._status()))
        except TransientError as trouble:
            return self._failed(str(trouble), trouble.retry_after_s or 0.0)
        except Exception as mistake:
            log.exception("heartbeat.mistake")
            return self._failed(type(mistake).__name__, 0.0)
        self._well()
        return self._every_s

    def problem(self) -> str | None:
        """Return a sentence while signs of life are not taken, else None."""
        if self._in_a_row < TOLD_AFTER:
            return None
        return f"signs of life are not taken ({self._in_a_row} in a row): {self._error}"

    def counts(self) -> dict[str, int]:
        """Return what was counted since the start."""
        return {"taken": self.taken, "failures": self.failures, "withheld": self.withheld}

    def as_json(self) -> dict[str, Any]:
        """Return the counts, how often it beats, and how it went last."""
        at = self._taken_at
        return {
            "every_s": self._every_s,
            **self.counts(),
            "last_taken_at": None if at is None else to_rfc3339(at),
            "last_error": self._error,
        }

    def _failed(self, error: str, at_least_s: float) -> float:
        self.failures += 1
        self._in_a_row += 1
        self._error = error
        if self._in_a_row == TOLD_AFTER:
            log.warning("heartbeat.not_taken error=%s", error)
            self._told("heartbeat-not-taken", self.problem() or "")
        pause = FIRST_PAUSE_S * 2.0 ** min(self._in_a_row - 1, 10)
        pause *= random.uniform(0.8, 1.2)  # noqa: S311 - jitter
        return max(at_least_s, min(pause, self._every_s))

    def _well(self) -> None:
        if self._in_a_row >= TOLD_AFTER:
            log.warning("heartbeat.taken_again after=%d", self._in_a_row)
            self._told("heartbeat-taken-again", "signs of life are taken again")
        self._in_a_row = 0
        self._error = ""
        self.taken += 1
        self._taken_at = self._clock.now().utc
