"""The outbox thread: delivers committed notices at least once, with a stable id."""

import logging
import random
import threading
from collections.abc import Callable, Mapping

from weirwatch.domain.errors import PermanentError, TransientError
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.ports import Clock, Notice, Notifier, OutboxStore

log = logging.getLogger(__name__)

BATCH = 50
LONGEST_PAUSE_S = 300.0
STORE_PAUSE_S = 2.0
ALARM_AFTER_ATTEMPTS = 5


class Outbox:
    """Reads due notices, sends them in order per recipient, marks them.

    A notice is marked delivered only after its notifier has returned; a crash in between sends
    it again under the same id.
    """

    def __init__(
        self,
        open_store: Callable[[], OutboxStore],
        notifiers: Mapping[str, Notifier],
        clock: Clock,
        undeliverable: Callable[[str | None], None],
    ) -> None:
        """Wire the outbox up.

        Args:
            open_store: opens the thread's own connection, in the thread.
            notifiers: by recipient id.
            clock: retries are real time; their records are service time.
            undeliverable: told a sentence when a notice cannot be delivered, None when all can.
        """
        self._open_store = open_store
        self._notifiers = notifiers
        self._clock = clock
        self._undeliverable = undeliverable
        self._news = threading.Event()
        self._stopping = False
        self._failing: dict[str, str] = {}
        self.delivered = 0
        self.failures = 0
        self.given_up = 0

    def run(self) -> None:
        """Deliver until `stop`."""
        store = self._open_store()
        try:
            while not self._stopping:
                self._news.clear()
                self._news.wait(self._turn(store))
        finally:
            store.close()
            for notifier in self._notifiers.values():
                notifier.close()

    def wake(self) -> None:
        """Look at once: notices were committed."""
        self._news.set()

    def stop(self) -> None:
        """End after the delivery under way."""
        self._stopping = True
        self._news.set()

    def _turn(self, store: OutboxStore) -> float:
        """Deliver what is due; return real seconds until the next look."""
        try:
            self._deliver_due(store)
            return self._patience(store)
        except TransientError as trouble:
            # Not marked means sent again under the same id: at least once.
            self.failures += 1
            log.warning("outbox.store_busy error=%s", trouble)
            return STORE_PAUSE_S

    def _deliver_due(self, store: OutboxStore) -> None:
        blocked: set[str] = set()
        while not self._stopping:
            due = [n for n in store.due(self._now(), BATCH) if n.recipient not in blocked]
            if not due:
                return
            for notice in due:
                if notice.recipient not in blocked and not self._deliver(store, notice):
                    blocked.add(notice.recipient)  # keep the order per recipient

    def _deliver(self, store: OutboxStore, notice: Notice) -> bool:
        try:
            self._notifier(notice.recipient).send(notice)
        except PermanentError as trouble:
            self._give_up(store, notice, str(trouble))
            return True
        except TransientError as trouble:
            self._retry_later(store, notice, str(trouble))
            return False
        store.delivered(notice.id, self._now())
        self.delivered += 1
        self._well(notice.recipient)
        return True

    def _notifier(self, recipient: str) -> Notifier:
        notifier = self._notifiers.get(recipient)
        if notifier is None:
            raise PermanentError(f"recipient {recipient!r} is no longer configured")
        return notifier

    def _give_up(self, store: OutboxStore, notice: Notice, error: str) -> None:
        store.failed(notice.id, error, None)
        self.given_up += 1
        log.error("notice.given_up id=%s error=%s", notice.id, error)
        self._ill(notice.recipient, f"notice {notice.id} was given up: {error}")

    def _retry_later(self, store: OutboxStore, notice: Notice, error: str) -> None:
        pause = min(LONGEST_PAUSE_S, 2.0 ** min(notice.attempts, 10))
        pause *= random.uniform(0.8, 1.2)  # noqa: S311 - jitter, not a secret
        store.failed(notice.id, error, self._now() + round(pause * SECOND * self._clock.speed))
        self.failures += 1
        if notice.attempts + 1 >= ALARM_AFTER_ATTEMPTS:
            self._ill(notice.recipient, f"{notice.recipient} cannot be reached: {error}")

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
        return min(60.0, max(0.05, (upcoming - self._now()) / SECOND / self._clock.speed))

    def _now(self) -> Micros:
        return self._clock.now().utc
