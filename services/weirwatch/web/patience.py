"""The home of how long a connection may say nothing: who never finishes a request holds no place.

uvicorn waits for ever for the first request of a connection and for the rest of one that was begun,
so that a few hundred clients that dribble would keep everybody else out.
"""

import asyncio

from uvicorn.protocols.http.h11_impl import H11Protocol

PATIENCE_S = 30.0


class PatientProtocol(H11Protocol):
    """HTTP by h11, which takes no head of more than 64 KiB, with a limit on waiting for one."""

    patience_s = PATIENCE_S
    _waiting: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for a request."""
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        """Go on waiting until a whole head has come; while it is answered nobody waits."""
        super().data_received(data)
        answering = self.cycle is not None and not self.cycle.response_complete
        if answering or self not in self.connections:  # it became a live connection
            self._wait_no_more()
        elif self._waiting is None:
            self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait for nothing any more."""
        self._wait_no_more()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._waiting = self.loop.call_later(self.patience_s, self._give_up)

    def _wait_no_more(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None

    def _give_up(self) -> None:
        self._waiting = None
        if not self.transport.is_closing():
            self.transport.close()
