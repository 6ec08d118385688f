"""The home of what the core does for a request: it may block, so it has a thread of its own."""

import logging
import queue
import threading
from collections.abc import Callable, Mapping
from typing import Any

from weirwatch.control import protocol
from weirwatch.control.connection import Connection
from weirwatch.domain.errors import PermanentError, WeirwatchError

log = logging.getLogger(__name__)

Ask = Callable[[], Mapping[str, Any]]


class Worker:
    """Answers one request after the other; hands each answer, encoded, to `done`.

    The queue is bounded by the number of connections: each has at most one request under way.
    """

    def __init__(self, name: str, done: Callable[[Connection, bytes], None]) -> None:
        self._done = done
        self._jobs: queue.SimpleQueue[tuple[Connection, Ask] | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)
        self.failures = 0

    def start(self) -> None:
        """Begin to work."""
        self._thread.start()

    def submit(self, connection: Connection, ask: Ask) -> None:
        """Queue one request; returns at once."""
        self._jobs.put((connection, ask))

    def stop(self, timeout_s: float) -> None:
        """Finish what is queued, for `timeout_s` at most; safe before `start`."""
        self._jobs.put(None)
        if self._thread.ident is not None:
            self._thread.join(timeout_s)

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            connection, ask = job
            self._done(connection, self._answer(ask))

    def _answer(self, ask: Ask) -> bytes:
        try:
            return protocol.encode({"ok": dict(ask())})
        except WeirwatchError as error:
            return protocol.encode(protocol.error_as_json(error))
        except Exception:
            self.failures += 1
            log.exception("control.handler_failed")
            sentence = PermanentError("the core failed on this request; its log says more")
            return protocol.encode(protocol.error_as_json(sentence))
