"""The home of one connection's bytes on the core's side: lines in, lines out, never blocking."""

import socket
from collections.abc import Callable

from weirwatch.control import protocol
from weirwatch.control.buffer import ListenerBuffer
from weirwatch.domain.instant import Micros

_CHUNK = 65536
_LINES_A_TURN = 64  # so that one eager listener does not keep the others waiting


class Connection:
    """One client. Used by the selector thread only (a listener's buffer is thread-safe).

    Attributes:
        buffer: what waits for a listener; None until it asked to listen.
        busy: a request is being worked on; nothing more is read until it is answered.
        ending: close it when what is to be sent has been sent.
        moved_at: real monotonic time of the last byte either way.
    """

    def __init__(self, sock: socket.socket, now: Micros) -> None:
        self.sock = sock
        self.buffer: ListenerBuffer | None = None
        self.busy = False
        self.ending = False
        self.moved_at = now
        self._incoming = bytearray()
        self._outgoing = b""

    @property
    def unsent(self) -> bool:
        """Whether a line is held up because the client does not read."""
        return bool(self._outgoing)

    def receive(self, now: Micros) -> bool:
        """Read what has come; return False when the client is gone.

        Raises:
            NotTheProtocol: a line longer than the protocol allows.
        """
        try:
            chunk = self.sock.recv(_CHUNK)
        except BlockingIOError:
            return True
        except OSError:
            return False
        if not chunk:
            return False
        self.moved_at = now
        self._incoming += chunk
        if len(self._incoming) > protocol.MAX_LINE and b"\n" not in self._incoming:
            raise protocol.NotTheProtocol(f"a line has at most {protocol.MAX_LINE} bytes")
        return True

    def next_line(self) -> bytes | None:
        """Return the next complete request, or None."""
        end = self._incoming.find(b"\n")
        if end < 0:
            return None
        line = bytes(self._incoming[:end])
        del self._incoming[: end + 1]
        return line

    def queue(self, line: bytes) -> None:
        """Append an answer to what is to be sent."""
        self._outgoing += line

    def send(self, now: Micros) -> bool:
        """Send what the client takes; return False when the client is gone."""
        take: Callable[[], bytes | None] = self.buffer.take if self.buffer else lambda: None
        for _ in range(_LINES_A_TURN):
            if not self._outgoing:
                self._outgoing = take() or b""
            if not self._outgoing:
                return True
            try:
                sent = self.sock.send(self._outgoing)
            except BlockingIOError:
                return True
            except OSError:
                return False
            self.moved_at = now
            self._outgoing = self._outgoing[sent:]
        # More may wait: hold a line so that the selector calls again at once.
        if not self._outgoing:
            self._outgoing = take() or b""
        return True
