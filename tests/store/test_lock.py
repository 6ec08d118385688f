"""The data folder's lock: one writer, one clear sentence for the second."""

import os
import signal
import stat
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from weirwatch.domain.errors import ConfigError
from weirwatch.store.lock import WriterLock

HOLDER = """
import sys
from pathlib import Path
from weirwatch.store.lock import WriterLock
with WriterLock(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


@contextmanager
def ordinary_user() -> Iterator[None]:
    """Be somebody whom permissions bind, where the tests run as root."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_the_folder_is_made_private(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    with WriterLock(folder):
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700
        assert (folder / "lock").read_text() == f"{os.getpid()}\n"
        assert stat.S_IMODE((folder / "lock").stat().st_mode) == 0o600
    assert (folder / "lock").read_text() == ""


def test_the_second_is_told_who_and_what_to_do(tmp_path: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(ConfigError) as caught:
            WriterLock(tmp_path)
        assert caught.value.problems == [
            f"data folder {tmp_path} is in use by another Weirwatch, process {holder.pid}: stop"
            " that one first, or give this one its own [service] data_dir"
        ]
        holder.send_signal(signal.SIGKILL)
    with WriterLock(tmp_path):  # the dead hold nothing
        assert (tmp_path / "lock").read_text() == f"{os.getpid()}\n"


def test_it_can_be_taken_again_after_release(tmp_path: Path) -> None:
    lock = WriterLock(tmp_path)
    with pytest.raises(ConfigError, match=f"process {os.getpid()}"):
        WriterLock(tmp_path)
    lock.release()
    lock.release()
    WriterLock(tmp_path).release()


def test_a_missing_folder_where_none_may_be_made(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="does not exist: start the service once"):
        WriterLock(tmp_path / "data", create=False)
    assert list(tmp_path.iterdir()) == []


def test_a_missing_parent_is_not_made(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"parent .*card does not exist: mount or make it"):
        WriterLock(tmp_path / "card" / "data")
    assert list(tmp_path.iterdir()) == []


def test_a_file_in_its_place(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("mine")
    with pytest.raises(ConfigError, match="is a file, not a folder"):
        WriterLock(tmp_path / "data")
    assert (tmp_path / "data").read_text() == "mine"


def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    folder.mkdir()
    folder.chmod(0o500)
    with ordinary_user(), pytest.raises(ConfigError, match=r"cannot be (written|made).*denied"):
        WriterLock(folder)
    with ordinary_user(), pytest.raises(ConfigError, match=r"cannot be made.*denied"):
        WriterLock(folder / "deeper")
