"""Ports for servers that are started a moment later, so that nobody else has taken them by then."""

import os
import socket
from itertools import count, islice

# Below those that the system gives to whoever asks for any port, or connects from one.
_FIRST, _COUNT = 20_000, 12_000
_turns = count(os.getpid() * 97)


def free_port() -> int:
    """A port of 127.0.0.1 that is this process's own until it ends, never told twice.

    Other workers and runs on this machine pass it over: its number is taken as the name of a
    socket in the system's abstract namespace, which is held for good and leaves no file.
    """
    for turn in islice(_turns, _COUNT):
        port = _FIRST + turn % _COUNT
        with (
            socket.socket(socket.AF_UNIX) as claim,
            socket.socket(socket.AF_INET) as probe,
        ):
            try:
                claim.bind(f"\0weirwatch-test-port-{port}")
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            claim.detach()
            return port
    raise AssertionError(f"no free port from {_FIRST} to {_FIRST + _COUNT - 1}")
