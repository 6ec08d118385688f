"""A limit for the whole of one delivery: a socket's own timeout is for each wait alone.

Whoever drips an answer byte by byte would otherwise hold up every notice to everybody.
"""

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator

LONGEST_S = 30.0
_AGAIN_S = 0.1


@contextlib.contextmanager
def at_most(seconds: float, connection: Callable[[], socket.socket | None]) -> Iterator[None]:
    """Cut the connection off if the block takes longer: it then ends as if the other side had.

    Args:
        seconds: real.
        connection: returns the socket in use; None: there is none at the moment.
    """
    done = threading.Event()

    def watch() -> None:
        done.wait(seconds)
        while not done.is_set():  # it may only now be opened, or go over to TLS
            sock = connection()
            if sock is not None:
                with contextlib.suppress(OSError):
                    socket.socket.shutdown(sock, socket.SHUT_RDWR)  # not TLS's own, which waits
            done.wait(_AGAIN_S)

    watcher = threading.Thread(target=watch, name="notice-limit", daemon=True)
    watcher.start()
    try:
        yield
    finally:
        done.set()
        watcher.join()
