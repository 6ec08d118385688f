"""The home of what waits for one listener: bounded, newest wins, drops counted and told."""

import threading
from collections import deque
from collections.abc import Mapping
from typing import Any

from weirwatch.control import protocol

SIZE = 256  # messages kept for a listener that does not read
_CHANNELS_A_MESSAGE = 1000  # keeps a message of readings far below the longest line


class ListenerBuffer:
    """Messages for one listener. `offer_*` never blocks and never fails; thread-safe.

    Transitions keep their order; when the buffer is full the oldest goes and is counted, and the
    listener is told the count before anything newer. Readings are kept once per channel.
    """

    def __init__(self, size: int = SIZE) -> None:
        self._lock = threading.Lock()
        self._lines: deque[bytes] = deque()
        self._readings: dict[str, Any] = {}
        self._size = size
        self._untold = 0
        self.dropped = 0

    def offer_line(self, line: bytes) -> None:
        """Add one encoded message; drops the oldest one when full."""
        with self._lock:
            if len(self._lines) >= self._size:
                self._lines.popleft()
                self._count_drop()
            self._lines.append(line)

    def offer_readings(self, readings: Mapping[str, Any]) -> None:
        """Add the newest readings by channel; they replace those still waiting."""
        with self._lock:
            self._readings.update(readings)

    def note_drop(self) -> None:
        """Count a message that could not be encoded, so that the listener reads the file."""
        with self._lock:
            self._count_drop()

    def take(self) -> bytes | None:
        """Return the next line to send: drops first, then transitions, then readings."""
        with self._lock:
            if self._untold:
                told, self._untold = self._untold, 0
                return protocol.encode({"dropped": told})
            if self._lines:
                return self._lines.popleft()
            if not self._readings:
                return None
            some = list(self._readings)[:_CHANNELS_A_MESSAGE]
            return protocol.encode({"readings": {name: self._readings.pop(name) for name in some}})

    def _count_drop(self) -> None:
        self._untold += 1
        self.dropped += 1
