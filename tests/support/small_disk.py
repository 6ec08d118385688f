"""A disk of a few megabytes, to be filled."""

import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


@contextmanager
def small_disk_at(place: Path, megabytes: int) -> Iterator[Path]:
    """Mount one at a new folder; skips the test where nothing can be mounted."""
    place.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "weirwatch-test", str(place)]
    if shutil.which("mount") is None or subprocess.run(words, capture_output=True).returncode:
        pytest.skip("a small disk cannot be mounted here: run as root, with the right to mount")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def fill(disk: Path) -> None:
    """Leave not a byte."""
    with (disk / "somebody-elses.bin").open("wb") as stream:
        while (free := shutil.disk_usage(disk).free) > 0:
            stream.write(bytes(min(free, 50_000)))
            stream.flush()
