"""Notices as JSON lines: one whole object a line, whatever happened to the line before."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from support.still_clock import NOON

from weirwatch.domain.errors import TransientError
from weirwatch.notice.json_lines import JsonLinesNotifier
from weirwatch.ports import Notice, Notifier

NOTICE = Notice(
    "7-keeper",
    7,
    "keeper",
    NOON,
    "HIGH: Sump high\n27.5 °C \u2028 at or above",
    {"event": 7, "alarm": {"id": "sump-high", "value": 27.5}},
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "notices.jsonl"


def objects(path: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in path.read_bytes().split(b"\n") if line]


def test_one_object_a_line_with_words_and_data(path: Path) -> None:
    notifier: Notifier = JsonLinesNotifier(path)
    notifier.send(NOTICE)
    notifier.send(replace(NOTICE, id="8-keeper"))
    notifier.close()
    notifier.close()
    assert path.read_bytes().count(b"\n") == 2
    first, second = objects(path)
    assert first == {
        "id": "7-keeper",
        "recipient": "keeper",
        "created": "2026-05-01T12:00:00Z",
        "text": NOTICE.text,
        "event": 7,
        "alarm": {"id": "sump-high", "value": 27.5},
    }
    assert second["id"] == "8-keeper"
    assert "°C".encode() in path.read_bytes()  # readable without a decoder


def test_what_is_there_stays(path: Path) -> None:
    path.write_text('{"id": "of an earlier run"}\n')
    JsonLinesNotifier(path).send(NOTICE)
    assert [entry["id"] for entry in objects(path)] == ["of an earlier run", "7-keeper"]


def test_a_line_torn_by_a_power_cut_is_left_alone(path: Path) -> None:
    notifier = JsonLinesNotifier(path)
    notifier.send(NOTICE)
    whole = path.read_bytes()
    for cut in (1, 10, len(whole) - 1):  # the last one lacks nothing but its end of line
        path.write_bytes(whole + whole[:cut])
        notifier.send(replace(NOTICE, id="8-keeper"))
        lines = path.read_bytes().split(b"\n")
        assert lines[1] == whole[:cut]
        assert json.loads(lines[2])["id"] == "8-keeper"
        assert lines[3:] == [b""]


def test_an_empty_file_gets_no_empty_line(path: Path) -> None:
    path.touch()
    JsonLinesNotifier(path).send(NOTICE)
    assert path.read_bytes().startswith(b"{")


def test_the_folder_is_made(tmp_path: Path) -> None:
    path = tmp_path / "a" / "b" / "notices.jsonl"
    JsonLinesNotifier(path).send(NOTICE)
    assert objects(path)[0]["id"] == "7-keeper"


def test_a_file_that_somebody_moved_away_is_begun_anew(path: Path) -> None:
    notifier = JsonLinesNotifier(path)
    notifier.send(NOTICE)
    path.rename(path.with_suffix(".old"))
    notifier.send(replace(NOTICE, id="8-keeper"))
    assert [entry["id"] for entry in objects(path)] == ["8-keeper"]


def test_what_cannot_be_written_now_is_tried_again(path: Path) -> None:
    path.mkdir()
    with pytest.raises(TransientError, match=r"notices\.jsonl cannot be written: .*directory"):
        JsonLinesNotifier(path).send(NOTICE)


def test_a_folder_that_cannot_be_made(path: Path) -> None:
    path.touch()
    with pytest.raises(TransientError, match=r"inner\.jsonl cannot be written: "):
        JsonLinesNotifier(path / "inner.jsonl").send(NOTICE)


def test_a_full_disk_is_tried_again() -> None:
    with pytest.raises(TransientError, match="No space left"):
        JsonLinesNotifier(Path("/dev/full")).send(NOTICE)
