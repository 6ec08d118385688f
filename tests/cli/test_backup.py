"""`weirwatch backup` and `weirwatch restore`, with the service running and stopped."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from typing import Any

from support.cli_types import Call, Place
from typer.testing import Result

from weirwatch.app import Core
from weirwatch.domain.errors import ConfigError
from weirwatch.store.schema import FILE_NAME

Parsed = Callable[[Result], Any]


def test_a_running_service_is_copied_and_not_replaced(
    call: Call, running: tuple[Place, Core], parsed: Parsed
) -> None:
    place, _ = running
    target = place.folder / "copies"
    target.mkdir()
    made = parsed(call("backup", target, "--config", place.config, "--json"))
    assert made["file"].startswith(f"{target}/weirwatch-20")
    assert made["damaged"] == []
    assert made["rows"]["event"] > 0
    refused = call("restore", made["file"], "--config", place.config)
    assert isinstance(refused.exception, ConfigError)
    assert "is in use by another Weirwatch" in str(refused.exception)
    assert "stop that one first" in str(refused.exception)


def test_a_folder_that_is_not_there_becomes_no_file(call: Call, recorded: Place) -> None:
    disk = recorded.folder / "disk"
    refused = call("backup", disk, "--config", recorded.config)
    assert isinstance(refused.exception, ConfigError)
    assert "there is no such folder: make or mount it" in str(refused.exception)
    assert not disk.exists()


def test_there_and_back(call: Call, recorded: Place, parsed: Parsed) -> None:
    copy = recorded.folder / "copy.sqlite3"
    told = call("backup", copy, "--config", recorded.config)
    assert told.exit_code == 0, told.output
    assert "read again and found as they were written" in told.output
    assert "is there already" in str(call("backup", copy, "--config", recorded.config).exception)
    with closing(sqlite3.connect(recorded.data / FILE_NAME)) as connection, connection:
        connection.execute("DELETE FROM reading")
    assert " CEST; " in told.output or " CET; " in told.output, "a person's own time"
    back = parsed(call("restore", copy, "--config", recorded.config, "--json"))
    assert back["kept"].endswith(FILE_NAME)
    assert back["rows"]["reading"] > 0
    with closing(sqlite3.connect(recorded.data / FILE_NAME)) as connection:
        count = connection.execute("SELECT count(*) FROM reading").fetchone()[0]
    assert count == back["rows"]["reading"]


def test_what_can_be_no_copy_is_said_and_changes_nothing(call: Call, recorded: Place) -> None:
    before = (recorded.data / FILE_NAME).read_bytes()
    other = recorded.folder / "log.csv"
    gone = call("restore", other, "--config", recorded.config).exception
    assert isinstance(gone, ConfigError)
    assert str(gone) == f"{other} cannot be read: No such file or directory"
    for text in ("", "time,kind\n"):
        other.write_text(text)
        refused = call("restore", other, "--config", recorded.config).exception
        assert isinstance(refused, ConfigError)
        assert "is no copy made by weirwatch backup" in str(refused)
    assert (recorded.data / FILE_NAME).read_bytes() == before


def test_damage_is_the_answer_no(call: Call, recorded: Place) -> None:
    with closing(sqlite3.connect(recorded.data / FILE_NAME)) as connection, connection:
        connection.execute("UPDATE reading SET records = zeroblob(40) WHERE id = 1")
    told = call("backup", recorded.folder / "copy.sqlite3", "--config", recorded.config)
    assert told.exit_code == 1
    assert "Damaged in the original already: readings of commit number 1" in told.output
    found = call("doctor", "--config", recorded.config)
    assert "damaged-history" in found.output
    assert "readings of commit number 1: not what was written" in found.output
