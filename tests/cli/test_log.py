"""`weirwatch log`: with the service stopped and with it running, words and CSV."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from support.cli_types import Call, Place
from typer.testing import Result

from weirwatch.app import Core

Parsed = Callable[[Result], Any]
LEVEL = "harbour-hall/sump-node/level"


def test_an_entry_without_the_service(place: Place, call: Call, parsed: Parsed) -> None:
    words = ("--config", place.config)
    added = call("log", "add", "test", "alkalinity", "2.9", "meq/L", *words)
    assert added.exit_code == 0, added.output
    assert "Entry 1: test alkalinity 8.132 dKH (as 2.9 meq/L)" in added.stdout
    listed = call("log", "list", *words)
    assert "8.132 dKH" in listed.stdout
    (entry,) = parsed(call("log", "list", "--json", *words))["items"]
    assert (entry["kind"], entry["subject"], entry["given"]) == ("test", "alkalinity", "2.9 meq/L")
    call("log", "add", "test", "alkalinity", "8.0", "dKH", "--replaces", "1", *words)
    assert len(parsed(call("log", "list", "--json", *words))["items"]) == 1
    assert "(corrected by 2)" in call("log", "list", "--all", *words).stdout


def test_the_dose_of_a_pump_is_told_as_one_a_day(place: Place, call: Call) -> None:
    words = ("--config", place.config)
    once = call("log", "add", "dose", "alkalinity", "0.3", "dKH", *words)
    assert once.stdout.splitlines()[0] == "Entry 1: dose alkalinity 0.3 dKH"
    pump = call("log", "add", "dose", "alkalinity", "0.2", "dKH", "--daily", *words)
    assert "Entry 2: dose alkalinity 0.2 dKH a day" in pump.stdout


def test_what_is_refused_says_why_and_stores_nothing(place: Place, call: Call) -> None:
    words = ("--config", place.config)
    for line in (
        ["test", "alkalinity", "82", "dKH"],
        ["test", "alkalinity", "many", "dKH"],
        ["test", "alkalinity"],
        ["nap", "x"],
        ["calibration", LEVEL, "100"],
        ["note"],
    ):
        refused = call("log", "add", *line, *words)
        assert refused.exit_code != 0, line
        assert type(refused.exception).__name__ == "RefusedEntry", line
    assert "Nothing is in the log" in call("log", "list", *words).stdout


def test_an_unknown_kind_is_said_not_answered_with_an_empty_log(place: Place, call: Call) -> None:
    words = ("--config", place.config)
    call("log", "add", "note", "quiet", *words)
    assert '"note"' in str(call("log", "list", "--kind", "notes", *words).exception)
    assert "Nothing of that" in call("log", "list", "--kind", "test", *words).stdout
    assert "Nothing of that" in call("log", "list", "--to", "9d", *words).stdout


def test_a_file_that_is_empty_or_not_there_is_said(
    place: Place, call: Call, tmp_path: Path
) -> None:
    words = ("--config", place.config)
    file = tmp_path / "tests.csv"
    assert "tests.csv: cannot be read" in str(call("log", "import", file, *words).exception)
    file.touch()
    refused = call("log", "import", file, *words)
    assert type(refused.exception).__name__ == "RefusedEntry"
    assert "kind or time is missing" in str(refused.exception)


def test_a_file_is_stored_whole_or_not_at_all(place: Place, call: Call, tmp_path: Path) -> None:
    file = tmp_path / "tests.csv"
    good = "time,kind,subject,value,unit\n2026-05-01T12:00:00Z,test,calcium,420,ppm\n"
    file.write_text(f"{good}2026-05-02T12:00:00Z,test,calcium,42,ppm\n")
    words = ("--config", place.config)
    refused = call("log", "import", file, *words)
    assert "line 3: calcium 42 ppm" in str(refused.exception)
    assert "Nothing is in the log" in call("log", "list", *words).stdout
    file.write_text(good)
    assert "Nothing was stored" in call("log", "import", "--check", file, *words).stdout
    assert "1 entry stored" in call("log", "import", file, *words).stdout
    file.write_text(f"{good}2026-05-02T12:00:00Z,test,calcium,abc,ppm\nx\n")
    both = call("log", "import", file, *words).exception
    assert "line 3: value 'abc' is not a number" in str(both)
    assert "line 4: has more or fewer fields" in str(both)


def test_the_running_core_writes_and_calibrates(
    running: tuple[Place, Core], call: Call, parsed: Parsed
) -> None:
    place, core = running
    words = ("--config", place.config, "--data", place.data)
    added = call("log", "add", "calibration", LEVEL, "100=98", "300=302", "--json", *words)
    assert added.exit_code == 0, added.output
    assert parsed(added)["detail"]["verdict"] == "accept"
    assert core.log_book.corrections()[LEVEL][0].gain < 1.0
    refused = call("log", "add", "test", "calcium", "4", "mg/L", *words)
    assert "outside 200 to 700" in str(refused.exception)


def test_a_photo_is_put_to_an_entry(
    recorded: Place, call: Call, parsed: Parsed, tmp_path: Path
) -> None:
    words = ("--config", recorded.config, "--data", recorded.data)
    assert call("log", "add", "note", "anemone", *words).exit_code == 0
    picture = tmp_path / "anemone.jpg"
    picture.write_bytes(b"\xff\xd8\xff\xe0 and so on \xff\xd9")
    done = call("log", "photo", "1", str(picture), *words)
    assert (done.exit_code, done.stdout) == (0, "Photo 1 of entry 1: 17 bytes\n")
    assert "anemone [1 photo]" in call("log", "list", *words).stdout
    (entry,) = parsed(call("log", "list", "--json", *words))["items"]
    assert entry["photos"][0]["media_type"] == "image/jpeg"
    picture.write_text("no picture")
    refused = call("log", "photo", "1", str(picture), *words)
    assert "neither a JPEG nor a PNG" in str(refused.exception)
    missing = call("log", "photo", "1", str(tmp_path / "none.jpg"), *words)
    assert "cannot be read" in str(missing.exception)


def test_a_calibration_that_takes_away_is_written_with_one_minus(place: Place, call: Call) -> None:
    words = ("--config", place.config)
    added = call("log", "add", "calibration", LEVEL, "100=102", "300=302", *words)
    assert f"calibration {LEVEL} × 1 \N{MINUS SIGN} 2: accept" in added.output
