"""Notices on standard output, for trying out and for a service's own log."""

import sys
from typing import TextIO

from weirwatch.domain.errors import TransientError
from weirwatch.ports import Notice


class ConsoleNotifier:
    """Prints each notice as a block of its own."""

    def __init__(self, stream: TextIO | None = None) -> None:
        """Print to `stream`, or to whatever standard output is at the time."""
        self._stream = stream

    def send(self, notice: Notice) -> None:
        """Print one notice."""
        stream = self._stream if self._stream is not None else sys.stdout
        rule = "─" * 72
        try:
            stream.write(f"{rule}\nNOTICE {notice.id}\n{notice.text}\n{rule}\n")
            stream.flush()
        except (OSError, ValueError) as trouble:
            raise TransientError(f"standard output cannot be written: {trouble}") from trouble

    def close(self) -> None:
        """Do nothing: the stream is not ours."""
