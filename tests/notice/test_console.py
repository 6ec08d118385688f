"""Notices on standard output."""

import io
import os

import pytest
from support.still_clock import NOON

from weirwatch.domain.errors import TransientError
from weirwatch.notice.console import ConsoleNotifier
from weirwatch.ports import Notice, Notifier

NOTICE = Notice("7-keeper", 7, "keeper", NOON, "HIGH: Sump high\nLook for a siphon: 27 °C", {})


def test_a_notice_is_a_block_of_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    notifier: Notifier = ConsoleNotifier()
    notifier.send(NOTICE)
    notifier.close()
    notifier.close()
    lines = capsys.readouterr().out.split("\n")
    assert lines[1:4] == ["NOTICE 7-keeper", "HIGH: Sump high", "Look for a siphon: 27 °C"]
    assert lines[0] == lines[4] == "─" * 72


def test_it_is_seen_at_once_even_through_a_pipe() -> None:
    reading, writing = os.pipe()
    with os.fdopen(writing, "w", encoding="utf-8") as stream:
        ConsoleNotifier(stream).send(NOTICE)
        assert b"NOTICE 7-keeper" in os.read(reading, 10_000)
    os.close(reading)


def test_a_stream_that_is_closed_is_tried_again() -> None:
    stream = io.StringIO()
    stream.close()
    with pytest.raises(TransientError, match="standard output cannot be written: "):
        ConsoleNotifier(stream).send(NOTICE)


def test_a_disk_that_is_full_is_tried_again() -> None:
    raw = io.FileIO("/dev/full", "w")  # every write fails, as on a full disk
    stream = io.TextIOWrapper(raw, encoding="utf-8", write_through=True)
    with stream, pytest.raises(TransientError, match="No space left"):
        ConsoleNotifier(stream).send(NOTICE)
