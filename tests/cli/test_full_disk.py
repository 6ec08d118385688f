"""A start on a disk that is full to the last byte: there must be alarms all the same."""

import shutil
import subprocess
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from support.cli_types import Call, Place
from support.service import wait_for
from support.small_disk import fill, small_disk_at

from weirwatch.app import build_core
from weirwatch.clock import SystemClock
from weirwatch.config import Overrides, load
from weirwatch.config.in_use import InUse
from weirwatch.domain.errors import ConfigError
from weirwatch.store.lock import WriterLock
from weirwatch.store.reserve import FILE_NAME, Reserve
from weirwatch.store.schema import FILE_NAME as DATA
from weirwatch.store.sqlite_archive import SqliteArchive


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    with small_disk_at(tmp_path / "disk", 32) as disk:
        yield disk


def kinds(data: Path) -> list[str]:
    with closing(SqliteArchive(data / DATA)) as archive:
        return [stored.event.kind for stored in archive.events(None, None, 0, 1000)]


def test_the_service_starts_on_what_was_set_aside(place: Place, small_disk: Path) -> None:
    settings = load(place.config, Overrides(data_dir=small_disk / "data"))
    build_core(settings, SystemClock(), in_use=InUse(place.config)).stop()
    Reserve(small_disk / "data").keep()
    fill(small_disk)
    core = build_core(settings, SystemClock(), in_use=InUse(place.config))
    try:
        core.start()
        wait_for(lambda: "broker-connected" in kinds(small_disk / "data"))
        assert not core.failed.is_set()
    finally:
        core.stop()
    assert not (small_disk / "data" / FILE_NAME).exists()


def test_a_full_disk_can_be_locked(small_disk: Path) -> None:
    fill(small_disk)
    with (
        WriterLock(small_disk),
        pytest.raises(ConfigError, match="in use by another Weirwatch, process unknown"),
    ):
        WriterLock(small_disk)


def test_a_folder_that_cannot_be_written_is_told_as_such(
    call: Call, recorded: Place, small_disk: Path, tmp_path: Path
) -> None:
    file = tmp_path / "old.csv"
    file.write_text("time,value\n2026-05-01T12:00:00Z,1\n")
    shutil.copytree(recorded.data, small_disk / "data")
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    words = ("history", "import", file, "--channel", "harbour-hall/sump-node/level")
    done = call(*words, "--config", recorded.config, "--data", small_disk / "data")
    assert "cannot be written (Read-only file system)" in str(done.exception)
