"""Notices as JSON lines in a file: one object a line, durable before it counts as delivered."""

import json
import os
from pathlib import Path

from weirwatch.domain.errors import TransientError
from weirwatch.domain.instant import to_rfc3339
from weirwatch.ports import Notice


class JsonLinesNotifier:
    """Appends to one file; a line torn by a power cut is left alone and a new one begun."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def send(self, notice: Notice) -> None:
        """Append one notice and sync it to disk.

        Raises:
            TransientError: the file cannot be written now.
        """
        line = json.dumps(
            {
                "id": notice.id,
                "recipient": notice.recipient,
                "created": to_rfc3339(notice.created),
                "text": notice.text,
                **notice.payload,
            },
            ensure_ascii=False,
        )
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            with self._path.open("ab+") as file:
                torn = file.tell() > 0 and _last_byte(self._path) != b"\n"
                file.write((b"\n" if torn else b"") + line.encode() + b"\n")
                file.flush()
                os.fsync(file.fileno())
        except OSError as trouble:
            raise TransientError(f"{self._path} cannot be written: {trouble}") from trouble

    def close(self) -> None:
        """Do nothing: the file is open only while a line is written."""


def _last_byte(path: Path) -> bytes:
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return file.read(1)
