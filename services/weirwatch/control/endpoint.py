"""The home of the control socket's file: where it may be, who may open it, when it is stale."""

import contextlib
import os
import socket
import stat
import sys
from pathlib import Path

from weirwatch.domain.errors import ConfigError

# sun_path holds 108 bytes on Linux and 104 elsewhere, the closing NUL included (unix(7)).
LONGEST_PATH = 107 if sys.platform == "linux" else 103


def check_length(path: Path) -> None:
    """Refuse a path that no Unix socket can have.

    Raises:
        ConfigError: too long; says by how much and what to change.
    """
    length = len(os.fsencode(path))
    if length > LONGEST_PATH:
        raise ConfigError(
            f"{path}: the control socket's path has {length} bytes, the system allows "
            f"{LONGEST_PATH}; choose a shorter [service] data_dir"
        )


def listening_socket(path: Path) -> socket.socket:
    """Return a non-blocking listening socket at `path`, mode 0600.

    A file left behind by a dead process is replaced; one that somebody answers on is not.

    Raises:
        ConfigError: path too long, in use, not a socket, or its folder cannot be written.
    """
    check_length(path)
    _remove_stale(path)
    server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        server.bind(os.fspath(path))
        # Nobody can connect before listen(): the mode is right from the first moment.
        path.chmod(0o600)
        server.listen(64)
        server.setblocking(False)
    except OSError as error:
        server.close()
        raise ConfigError(
            f"{path}: cannot make the control socket ({error.strerror}); "
            "check that the data folder exists and may be written"
        ) from error
    return server


def remove(path: Path, inode: int) -> None:
    """Remove the socket file if it is still the one that we made; the next start can do without."""
    with contextlib.suppress(OSError):
        if path.lstat().st_ino == inode:
            path.unlink()


def _remove_stale(path: Path) -> None:
    try:
        mode = path.lstat().st_mode
    except FileNotFoundError:
        return
    except OSError as error:
        raise ConfigError(
            f"{path}: cannot look at the control socket ({error.strerror})"
        ) from error
    if not stat.S_ISSOCK(mode):
        raise ConfigError(f"{path}: is not a socket; move it away, the control socket goes there")
    if _somebody_answers(path):
        raise ConfigError(
            f"{path}: another weirwatch already runs on this data folder; "
            "stop it, or choose another [service] data_dir"
        )
    with contextlib.suppress(FileNotFoundError):
        path.unlink()


def _somebody_answers(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.setblocking(False)
        try:
            probe.connect(os.fspath(path))
        except (ConnectionRefusedError, FileNotFoundError):
            return False
        except OSError:
            return True  # a full backlog, or not ours to open: somebody holds it
    return True
