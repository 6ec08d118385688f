"""A TCP relay on loopback: a server that is not ours to stop can be out of reach nevertheless."""

import socket
import threading
from contextlib import suppress

_CHUNK = 65_536


class Relay:
    """Carries connections from a port of its own to another address while it is up."""

    def __init__(self, address: tuple[str, int]) -> None:
        self._address = address
        self._port = 0  # the system's choice, kept from then on
        self._listener: socket.socket | None = None
        self._open: set[socket.socket] = set()
        self._lock = threading.Lock()
        self.up()

    @property
    def port(self) -> int:
        """Where it listens, also while it is down."""
        return self._port

    def up(self) -> None:
        """Take connections."""
        listener = socket.create_server(("127.0.0.1", self._port))
        self._port = listener.getsockname()[1]
        self._listener = listener
        threading.Thread(target=self._accept, args=(listener,), daemon=True).start()

    def down(self) -> None:
        """Refuse connections and break those that there are; idempotent."""
        with self._lock:
            listener, self._listener = self._listener, None
            ends = [listener, *self._open] if listener else [*self._open]
        for end in ends:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def _accept(self, listener: socket.socket) -> None:
        with suppress(OSError):  # closed by `down`
            while True:
                near = listener.accept()[0]
                try:
                    far = socket.create_connection(self._address, 10.0)
                except OSError:
                    near.close()
                    continue
                far.settimeout(None)
                with self._lock:
                    self._open |= {near, far}
                for ends in ((near, far), (far, near)):
                    threading.Thread(target=self._carry, args=ends, daemon=True).start()

    def _carry(self, source: socket.socket, sink: socket.socket) -> None:
        with suppress(OSError):
            while content := source.recv(_CHUNK):
                sink.sendall(content)
        for end in (source, sink):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()
        with self._lock:
            self._open -= {source, sink}
