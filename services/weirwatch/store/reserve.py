"""Room set aside on the disk, to be given back on the day that it is full.

SQLite needs room beside the file even to let something go: the log grows before it is emptied.
"""

import logging
import os
import shutil
from contextlib import suppress
from pathlib import Path

log = logging.getLogger(__name__)

FILE_NAME = "reserve"
SIZE = 16 * 1024 * 1024
TO_START = 4 * 1024 * 1024  # with less, the service may not even come to look after its file


class Reserve:
    """A file of no content in the data folder; the writing thread only."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / FILE_NAME

    def keep(self) -> None:
        """Set the room aside if it is not; where that is not possible, there is none."""
        with suppress(OSError):
            if self._path.exists() and self._path.stat().st_size == SIZE:
                return
        try:
            handle = os.open(self._path, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600)
            try:
                os.posix_fallocate(handle, 0, SIZE)
            finally:
                os.close(handle)
        except OSError as error:
            log.warning("store.no_reserve error=%s", error)
            with suppress(OSError):
                self._path.unlink(missing_ok=True)

    def spend(self) -> bool:
        """Give the room back; return whether there was any."""
        try:
            self._path.unlink()
        except OSError:
            return False
        log.error("store.reserve_spent bytes=%d", SIZE)
        return True


def spend_to_start(folder: Path) -> None:
    """Give the room back if the disk is too full for a start: even to open the file takes some."""
    with suppress(OSError):
        if shutil.disk_usage(folder).free < TO_START:
            Reserve(folder).spend()
