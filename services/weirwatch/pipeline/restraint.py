"""Which notices are no longer news, and how many one person gets: the rest goes out in one.

Used by the outbox thread only. What was sent is remembered in memory: after a restart the count
begins anew, and never sends a notice twice for that.
"""

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from weirwatch.domain.calls import Why
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.rule import Priority, Rule
from weirwatch.ports import Notice

WINDOW: Micros = 600 * SECOND
TEST_FOR: Micros = 600 * SECOND  # real; a test that comes later tests nothing
_FIRST_WORDS = (Why.CALL, Why.NEXT, Why.CHECK_IN)
_WHOLE = (Why.DIGEST, Why.FOLD, Why.TEST, Why.MORNING)  # many alarms in one already, or asked for


@dataclass(slots=True)
class Restraint:
    """The rules of one outbox.

    Attributes:
        rules: by id, to know what is critical or bold.
        most: by recipient, how many notices in `WINDOW`; no entry: no limit.
        expires: a repeat that could not be delivered for so long is no longer news.
        fold: makes one notice of several to the same recipient.
        speed: of the clock: the window is real time.
    """

    rules: Mapping[str, Rule]
    most: Mapping[str, int]
    expires: Micros
    fold: Callable[[Sequence[Notice], Micros], Notice]
    speed: float = 1.0
    _sent: dict[str, deque[Micros]] = field(default_factory=dict)

    def exempt(self, notice: Notice) -> bool:
        """Whether nothing holds it back.

        Critical alarms and bold failures always, and the first word of a high alarm.
        """
        why = notice.payload.get("why")
        if why in _WHOLE or notice.recipient not in self.most:
            return True
        rule = self.rules.get(str((notice.payload.get("alarm") or {}).get("id")))
        if rule is None:
            return False
        if rule.bold or rule.priority is Priority.CRITICAL:
            return True
        return rule.priority is Priority.HIGH and why in _FIRST_WORDS

    def stale(self, notice: Notice, now: Micros, *, waits: Callable[[str], bool]) -> str:
        """Return why a notice is no longer news; empty while it is.

        Only a repeat or a test can be: everybody's first word and every return stay.

        Args:
            notice: due now.
            now: service time.
            waits: whether the alarm of that rule is still unacknowledged.
        """
        if notice.payload.get("why") == Why.TEST and now - notice.created > TEST_FOR * self.speed:
            return "not sent: a test that could not be delivered in time"
        if notice.payload.get("why") != Why.REPEAT:
            return ""
        rule = str((notice.payload.get("alarm") or {}).get("id"))
        if not waits(rule):
            return "not sent: somebody has answered meanwhile, or it has returned"
        if now - notice.created > self.expires:
            minutes = self.expires // (60 * SECOND)
            return f"not sent: a repeat that could not be delivered for {minutes} minutes"
        return ""

    def room(self, recipient: str, now: Micros) -> int:
        """Return how many notices the recipient may get now."""
        times = self._sent.setdefault(recipient, deque())
        while times and now - times[0] >= self._window:
            times.popleft()
        return max(0, self.most[recipient] - len(times))

    def free_at(self, recipient: str) -> Micros:
        """Return when there is room again, after `room` has said that there is none."""
        return self._sent[recipient][0] + self._window

    def sent(self, notice: Notice, now: Micros) -> None:
        """Count one delivery; what is exempt does not count."""
        if not self.exempt(notice) or notice.payload.get("why") == Why.FOLD:
            self._sent.setdefault(notice.recipient, deque()).append(now)

    @property
    def _window(self) -> Micros:
        return round(WINDOW * self.speed)
