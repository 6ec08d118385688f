"""The outbox thread: delivers committed notices at least once, with a stable id."""

import logging
import random
import threading
from collections.abc import Callable, Mapping, Sequence

from weirwatch.domain.errors import PermanentError, TransientError, WeirwatchError
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.pipeline.notice_tests import TrialWatch
from weirwatch.pipeline.restraint import Restraint
from weirwatch.pipeline.timekeeper import Timekeeper
from weirwatch.ports import Clock, Notice, Notifier, OutboxStore

log = logging.getLogger(__name__)

BATCH = 50
MOST_FOLDED = 500  # notices in one
LONGEST_PAUSE_S = 300.0
LEAST_PAUSE_S = 0.2
STORE_PAUSE_S = 2.0
ALARM_AFTER_ATTEMPTS = 5


class Outbox:
    """Reads due notices, sends them, marks them.

    A notice is marked delivered only after its notifier has returned; a crash in between sends
    it again under the same id. While the file takes no marks they are kept in memory, so that a
    full disk neither repeats a notice nor holds up the others. A notice that fails holds the next
    ones to the same recipient, so that they arrive in order; once the recipient is known to be out
    of reach each is tried by itself, so that no notice holds up a later one for good.
    """

    def __init__(
        self,
        open_store: Callable[[], OutboxStore],
        notifiers: Mapping[str, Notifier],
        clock: Clock,
        timekeeper: Timekeeper,
        undeliverable: Callable[[str | None], None],
        restraint: Restraint | None = None,
        tests: TrialWatch | None = None,
    ) -> None:
        """Wire the outbox up.

        Args:
            open_store: opens the thread's own connection, in the thread.
            notifiers: by recipient id.
            clock: retries are real time; their records are service time.
            timekeeper: of its own, from the last committed instant on: a wall clock that is set
                back, or boots in the past, delays no try.
            undeliverable: told a sentence when a notice cannot be delivered, None when all can.
            restraint: what is no longer news, and how many one person gets; None: no limits.
            tests: is told which tests arrived; None: nobody asks.
        """
        self._open_store = open_store
        self._notifiers = notifiers
        self._clock = clock
        self._time = timekeeper
        self._undeliverable = undeliverable
        self._restraint = restraint
        self._tests = tests
        self._news = threading.Event()
        self._ending = threading.Event()
        self._failing: dict[str, str] = {}
        self._held: dict[str, Micros] = {}
        self._unmarked: dict[str, Callable[[OutboxStore], None]] = {}  # what the file did not take
        self.delivered = 0
        self.failures = 0
        self.given_up = 0
        self.expired = 0
        self.folded = 0
        self.postponed = 0
        self.waiting = 0
        self.dead_letters = 0

    def as_json(self) -> dict[str, int]:
        """Return the counts since the start; `dead_letters` are all that are on record."""
        return {
            "delivered": self.delivered,
            "failures": self.failures,
            "given_up": self.given_up,
            "expired": self.expired,
            "folded": self.folded,
            "postponed": self.postponed,
            "waiting": self.waiting,
            "dead_letters": self.dead_letters,
        }

    def run(self) -> None:
        """Deliver until `stop`; no trouble ends the thread."""
        store: OutboxStore | None = None
        try:
            while not self._ending.is_set():
                self._news.clear()
                store = store or self._opened()
                self._news.wait(STORE_PAUSE_S if store is None else self.turn_once(store))
        finally:
            if store is not None:
                store.close()
            for notifier in self._notifiers.values():
                notifier.close()

    def wake(self) -> None:
        """Look at once: notices were committed."""
        self._news.set()

    def stop(self) -> None:
        """End after the delivery under way."""
        self._ending.set()
        self._news.set()

    def turn_once(self, store: OutboxStore) -> float:
        """Deliver what is due; return real seconds until the next look."""
        try:
            self._deliver_due(store)
            for ident, mark in list(self._unmarked.items()):
                self._mark(store, ident, mark)
            self.waiting = store.pending()
            if self._tests is not None:
                self._tests.look(self._time.now())
            return self._patience(store)
        except WeirwatchError as trouble:
            log.warning("outbox.store_trouble error=%s", trouble)
        except Exception:
            log.exception("outbox.failed")
        self.failures += 1
        return STORE_PAUSE_S

    def _opened(self) -> OutboxStore | None:
        try:
            store = self._open_store()
            self.dead_letters = store.dead_letters()
            if self._tests is not None:
                self._tests.load(store)
        except Exception:
            log.exception("outbox.store_not_opened")
        else:
            return store
        self.failures += 1
        return None

    def _deliver_due(self, store: OutboxStore) -> None:
        blocked: set[str] = set()  # by a failure in this very turn: others come first
        while not self._ending.is_set():
            now = self._time.now()
            blocked.update(who for who, until in self._held.items() if until > now)
            found = store.due(now, BATCH + len(self._unmarked))
            due = [n for n in found if n.recipient not in blocked and n.id not in self._unmarked]
            if not due:
                return
            for notice in self._restrained(store, due, now):
                if self._ending.is_set():
                    return
                if notice.recipient not in blocked and not self._deliver(store, notice):
                    blocked.add(notice.recipient)

    def _restrained(
        self, store: OutboxStore, due: Sequence[Notice], now: Micros
    ) -> Sequence[Notice]:
        """Return what of the due notices goes out as it is; make durable what does not.

        Critical ones may overtake those that wait for room; each kind stays in its order.
        """
        rules = self._restraint
        if rules is None:
            return due
        news = [notice for notice in due if not self._let_expire(store, rules, notice, now)]
        out = []
        for recipient in dict.fromkeys(notice.recipient for notice in news):
            own = [notice for notice in news if notice.recipient == recipient]
            limited = [notice for notice in own if not rules.exempt(notice)]
            if limited and len(limited) >= rules.room(recipient, now):
                singly = self._fold(store, rules, recipient, now)
                limited = [notice for notice in limited if notice.id in singly]
            going = {notice.id for notice in limited}
            out += [n for n in own if n.id in going or rules.exempt(n)]
        return out

    def _let_expire(
        self, store: OutboxStore, rules: Restraint, notice: Notice, now: Micros
    ) -> bool:
        reason = rules.stale(notice, now, waits=store.waits)
        if reason:
            self._mark(store, notice.id, lambda file: file.expired(notice.id, reason))
            self.expired += 1
            log.info("notice.expired id=%s", notice.id)
        return bool(reason)

    def _fold(
        self, store: OutboxStore, rules: Restraint, recipient: str, now: Micros
    ) -> frozenset[str]:
        """Fold or postpone what one recipient has no room for; return the ids that go singly."""
        room = rules.room(recipient, now)
        waiting = [
            notice
            for notice in store.due_to(recipient, now, MOST_FOLDED)
            if notice.id not in self._unmarked
            and not rules.exempt(notice)
            and not rules.stale(notice, now, waits=store.waits)
        ]
        if len(waiting) <= room:
            return frozenset(notice.id for notice in waiting)
        if room == 0:
            store.postponed([notice.id for notice in waiting], rules.free_at(recipient))
            self.postponed += len(waiting)
            return frozenset()
        singly, together = waiting[: room - 1], waiting[room - 1 :]
        one = rules.fold(together, now)
        store.fold([notice.id for notice in together], one)
        self.folded += len(together)
        log.warning("notice.folded count=%d into=%s", len(together), one.id)
        return frozenset(notice.id for notice in singly)

    def _deliver(self, store: OutboxStore, notice: Notice) -> bool:
        try:
            self._notifier(notice.recipient).send(notice)
        except PermanentError as trouble:
            self._give_up(store, notice, str(trouble))
            return True
        except TransientError as trouble:
            self._retry_later(store, notice, str(trouble), trouble.retry_after_s or 0.0)
            return False
        except Exception as mistake:  # one notifier's mistake must not silence the others
            log.exception("notice.notifier_failed id=%s", notice.id)
            self._retry_later(store, notice, repr(mistake))
            return False
        now = self._time.now()
        self.delivered += 1
        if self._restraint is not None:
            self._restraint.sent(notice, now)
        if self._tests is not None:
            self._tests.delivered(notice, now)
        self._well(notice.recipient)
        self._mark(store, notice.id, lambda file: file.delivered(notice.id, now))
        return True

    def _mark(self, store: OutboxStore, ident: str, mark: Callable[[OutboxStore], None]) -> None:
        """Write down what became of a notice; until the file takes that, it is left alone."""
        self._unmarked[ident] = mark
        mark(store)
        del self._unmarked[ident]

    def _notifier(self, recipient: str) -> Notifier:
        notifier = self._notifiers.get(recipient)
        if notifier is None:
            raise PermanentError(f"recipient {recipient!r} is no longer configured")
        return notifier

    def _give_up(self, store: OutboxStore, notice: Notice, error: str) -> None:
        self.given_up += 1
        self.dead_letters += 1
        log.error("notice.given_up id=%s error=%s", notice.id, error)
        self._ill(notice.recipient, f"notice {notice.id} was given up: {error}")
        self._mark(store, notice.id, lambda file: file.failed(notice.id, error, None))

    def _retry_later(
        self, store: OutboxStore, notice: Notice, error: str, at_least_s: float = 0.0
    ) -> None:
        pause = min(LONGEST_PAUSE_S, 2.0 ** min(notice.attempts, 10))
        pause = max(at_least_s, pause * random.uniform(0.8, 1.2))  # noqa: S311 - jitter
        next_try = self._time.now() + round(pause * SECOND * self._clock.speed)
        self.failures += 1
        self._held[notice.recipient] = next_try  # first: also while the file takes no mark
        store.failed(notice.id, error, next_try)
        if notice.attempts + 1 >= ALARM_AFTER_ATTEMPTS or at_least_s > LONGEST_PAUSE_S:
            self._ill(notice.recipient, f"{notice.recipient} cannot be reached: {error}")
        if notice.recipient in self._failing:
            del self._held[notice.recipient]

    def _ill(self, recipient: str, sentence: str) -> None:
        self._failing[recipient] = sentence
        self._undeliverable("; ".join(self._failing.values()))

    def _well(self, recipient: str) -> None:
        if self._failing.pop(recipient, None) is not None:
            self._undeliverable("; ".join(self._failing.values()) or None)

    def _patience(self, store: OutboxStore) -> float:
        upcoming = store.next_due()
        if upcoming is None:
            return 60.0
        return min(
            60.0, max(LEAST_PAUSE_S, (upcoming - self._time.now()) / SECOND / self._clock.speed)
        )
