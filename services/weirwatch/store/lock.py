"""Who may write: the lock of the data folder, held by one process at a time."""

import fcntl
import os
from contextlib import suppress
from pathlib import Path

from weirwatch.domain.errors import ConfigError

LOCK_NAME = "lock"


class WriterLock:
    """Holds the data folder for one writing process, until released or the process ends.

    The kernel lets go of it when the process dies, however it dies. The file stays: removing it
    would let two processes hold locks on two files of the same name.

    Args:
        data_dir: the data folder.
        create: make it (mode 0700) when it is missing; its parent must be there, since a missing
            parent is rather a disk that is not mounted than a wish.

    Raises:
        ConfigError: the folder is missing, not writable, or in use by another process.
    """

    def __init__(self, data_dir: Path, *, create: bool = True) -> None:
        self._handle: int | None = None
        _prepare(data_dir, create=create)
        try:
            handle = os.open(data_dir / LOCK_NAME, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise ConfigError(
                f"data folder {data_dir} cannot be written ({error.strerror}): make it writable"
                " for this user, or correct [service] data_dir"
            ) from error
        try:
            _take(handle, data_dir)
        except ConfigError:
            os.close(handle)
            raise
        self._handle = handle

    def release(self) -> None:
        """Let go of the folder; idempotent."""
        if self._handle is not None:
            with suppress(OSError):
                os.ftruncate(self._handle, 0)
            os.close(self._handle)
            self._handle = None

    def __enter__(self) -> "WriterLock":
        """Return the held lock."""
        return self

    def __exit__(self, *_: object) -> None:
        """Let go of it."""
        self.release()


def _prepare(data_dir: Path, *, create: bool) -> None:
    try:
        if create:
            data_dir.mkdir(mode=0o700, exist_ok=True)
        missing = not data_dir.is_dir()
    except FileNotFoundError as error:
        raise ConfigError(
            f"data folder {data_dir}: its parent {data_dir.parent} does not exist: mount or make"
            " it, or correct [service] data_dir"
        ) from error
    except FileExistsError as error:
        raise ConfigError(
            f"data folder {data_dir} is a file, not a folder: correct [service] data_dir"
        ) from error
    except OSError as error:
        raise ConfigError(
            f"data folder {data_dir} cannot be made ({error.strerror}): make it for this user,"
            " or correct [service] data_dir"
        ) from error
    if missing:
        raise ConfigError(
            f"data folder {data_dir} does not exist: start the service once, or correct"
            " [service] data_dir"
        )


def _take(handle: int, data_dir: Path) -> None:
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        holder = os.pread(handle, 32, 0).decode("ascii", "replace").strip()
        raise ConfigError(
            f"data folder {data_dir} is in use by another Weirwatch, process {holder or 'unknown'}:"
            " stop that one first, or give this one its own [service] data_dir"
        ) from error
    except OSError as error:
        raise ConfigError(
            f"data folder {data_dir} cannot be locked ({error.strerror}): put it on a local disk"
        ) from error
    with suppress(OSError):  # on a full disk nobody learns who holds it, but it is held
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"{os.getpid()}\n".encode("ascii"), 0)
