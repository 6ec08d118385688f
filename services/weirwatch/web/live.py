"""The home of the web's one listening connection to the core, and of waiting for its news."""

import asyncio
import contextlib
import logging
import threading
from collections.abc import Callable, Mapping
from typing import Any

from weirwatch.domain.errors import TransientError, WeirwatchError
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.ports import Clock, Core

log = logging.getLogger(__name__)

PATIENCE: Micros = 5 * SECOND  # real time for the first connection
_RETRY_S = 0.5


class Live:
    """Listens on a thread; wakes those that wait on the event loop when something was committed.

    News says only *that* there is news: who waits reads the file, so nothing is missed or
    doubled however slow the listener is. `close` is idempotent and safe before `start`.

    Attributes:
        connected: the connection stands.
        version: grows with every piece of news.
        ending: the process ends; streams should end as well.
    """

    def __init__(
        self, core: Core, clock: Clock, on_core_lost: Callable[[], None] | None = None
    ) -> None:
        """Without `on_core_lost` a lost connection is made again for ever.

        With it, it is called once: when no first connection came about for `PATIENCE`, or when
        the core's end has closed.
        """
        self.connected = False
        self.version = 0
        self.ending = False
        self._core = core
        self._clock = clock
        self._on_core_lost = on_core_lost
        self._loop: asyncio.AbstractEventLoop | None = None
        self._waiting: set[asyncio.Future[None]] = set()
        self._stop = threading.Event()
        self._connection: contextlib.ExitStack | None = None
        self._thread = threading.Thread(target=self._run, name="web-live", daemon=True)

    def start(self) -> None:
        """Begin to listen; call on the event loop that will wait."""
        self._loop = asyncio.get_running_loop()
        self._thread.start()

    def end_streams(self) -> None:
        """Let everybody who waits go, for good; any thread."""
        self.ending = True
        self._news()

    def close(self) -> None:
        """Stop listening."""
        self._stop.set()
        self.end_streams()
        if self._connection is not None:
            self._connection.close()
        if self._thread.ident is not None:
            self._thread.join(1.0)

    async def changed(self, seen: int, timeout_s: float) -> bool:
        """Wait for news newer than version `seen`; return False when none came in time."""
        if self.version == seen and not self.ending:
            future = asyncio.get_running_loop().create_future()
            self._waiting.add(future)
            try:
                async with asyncio.timeout(timeout_s):
                    await future
            except TimeoutError:
                pass
            finally:
                self._waiting.discard(future)
        return self.version != seen

    # --- the thread --------------------------------------------------------------------------

    def _run(self) -> None:
        heard = False
        began = self._clock.real_mono()
        while not self._stop.is_set():
            heard = self._listen() or heard
            if self._stop.is_set():
                return
            waited = self._clock.real_mono() - began
            if self._on_core_lost is not None and (heard or waited > PATIENCE):
                log.warning("web.core_lost connected_before=%s", heard)
                self._on_core_lost()
                return
            self._stop.wait(_RETRY_S)

    def _listen(self) -> bool:
        """Listen until the other end closes; return whether there was a connection."""
        try:
            with contextlib.ExitStack() as stack:
                messages = stack.enter_context(self._core.listen())
                self._connection = stack
                self._set_connected(True)
                for message in messages:
                    self._hear(message)
        except TransientError:
            pass  # not there yet, or just gone
        except (WeirwatchError, OSError):
            log.exception("web.listening_failed")
        was, self._connection = self.connected, None
        self._set_connected(False)
        return was

    def _set_connected(self, connected: bool) -> None:
        self.connected = connected
        if connected:
            self._news()  # what happened meanwhile stands in the file

    def _hear(self, message: Mapping[str, Any]) -> None:
        if "event" in message or "dropped" in message:
            self._news()

    def _news(self) -> None:
        self.version += 1
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # the loop is closed: nobody waits any more
                self._loop.call_soon_threadsafe(self._wake)

    def _wake(self) -> None:
        for future in self._waiting:
            if not future.done():
                future.set_result(None)
