"""Where the control socket may be, who may open it, and when its file is stale."""

import errno
import os
import socket
import stat
from pathlib import Path

import pytest

from weirwatch.control import endpoint
from weirwatch.domain.errors import ConfigError


def test_only_the_owner_may_open_it(path: Path) -> None:
    old = os.umask(0)
    try:
        with endpoint.listening_socket(path):
            assert stat.S_IMODE(path.stat().st_mode) == 0o600
    finally:
        os.umask(old)


def test_a_file_left_by_a_dead_process_is_replaced(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(path))
    assert path.exists()
    with endpoint.listening_socket(path), socket.socket(socket.AF_UNIX) as peer:
        peer.connect(str(path))


def test_a_socket_that_somebody_answers_on_is_left_alone(path: Path) -> None:
    with endpoint.listening_socket(path):
        inode = path.stat().st_ino
        with pytest.raises(ConfigError, match="already runs on this data folder"):
            endpoint.listening_socket(path)
        assert path.stat().st_ino == inode


def test_something_else_in_its_place_is_left_alone(path: Path) -> None:
    path.write_text("mine")
    with pytest.raises(ConfigError, match="not a socket"):
        endpoint.listening_socket(path)
    assert path.read_text() == "mine"


def test_a_path_beyond_the_limit_is_told_in_bytes(path: Path) -> None:
    longest = path.parent / ("x" * (endpoint.LONGEST_PATH - len(os.fsencode(path.parent)) - 1))
    with endpoint.listening_socket(longest):  # the limit itself is the system's
        pass
    with pytest.raises(ConfigError, match=r"has 108 bytes.*shorter"):
        endpoint.listening_socket(longest.with_name(longest.name + "x"))


def test_a_missing_folder_is_one_sentence(path: Path) -> None:
    with pytest.raises(ConfigError, match="check that the data folder exists") as caught:
        endpoint.listening_socket(path.parent / "missing" / "control.sock")
    assert len(caught.value.problems) == 1


def test_a_folder_that_is_none_is_one_sentence(path: Path) -> None:
    path.write_text("a file")
    with pytest.raises(ConfigError, match="cannot look at the control socket"):
        endpoint.listening_socket(path / "control.sock")


def test_a_file_that_cannot_be_removed_stops_nothing_else(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(errno.EROFS, "Read-only file system")

    with endpoint.listening_socket(path):
        monkeypatch.setattr(Path, "unlink", refuse)
        endpoint.remove(path, path.stat().st_ino)
        assert path.exists()


def test_only_our_own_file_is_removed(path: Path) -> None:
    with endpoint.listening_socket(path):
        endpoint.remove(path, path.stat().st_ino + 1)
        assert path.exists()
        endpoint.remove(path, path.stat().st_ino)
        assert not path.exists()
    endpoint.remove(path, 0)
