"""`weirwatch history import`: what was exported comes back bit for bit, and bad lines are named."""

import random
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from support.cli_types import Call, Place
from support.far_servers import Victoria
from support.service import wait_for
from typer.testing import Result

from weirwatch.app import Core, build_core
from weirwatch.clock import SystemClock
from weirwatch.config import load
from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND, to_rfc3339
from weirwatch.domain.reading import Quality, Reading
from weirwatch.store.block import HOUR
from weirwatch.store.connection import open_writer
from weirwatch.store.far.asking import Login
from weirwatch.store.far.victoria import VictoriaHistory
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.series import Grid
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import open_journal

Parsed = Callable[[Result], Any]
LEVEL = "harbour-hall/sump-node/level"
T0 = 1_777_636_800 * SECOND  # 2026-05-01T12:00:00Z
SPECIAL = (0.1 + 0.2, -0.0, 5e-324, 1.7976931348623157e308, 1 / 3, 300.0)


def odd_readings() -> list[Reading]:
    """Values with every bit in use, irregular times, each quality, reasons that need quoting."""
    chance = random.Random(3)
    kinds = (
        (Quality.GOOD, ""),
        (Quality.UNCERTAIN, "warming up"),
        (Quality.BAD, 'outside, "of" what is\nvalid – µ'),
    )
    time, found = T0, []
    for place in range(400):
        time += chance.randrange(1, 90 * SECOND)
        value = SPECIAL[place] if place < len(SPECIAL) else chance.gauss(300, 9)
        found.append(Reading(LEVEL, time, value, *kinds[place % 3]))
    return found


def fill(place: Place, readings: list[Reading]) -> None:
    settings = load(place.config)
    place.data.mkdir()
    journal, _ = open_journal(place.data, "x")
    journal.adopt(settings.channels, settings.rules)
    journal.take_in(readings, T0 + 86_400 * SECOND)
    journal.close()


def kept(place: Place, channel: str = LEVEL) -> list[Reading]:
    with closing(SqliteArchive(place.data / FILE_NAME)) as archive:
        return list(archive.readings(channel, 0, 2**60, None, 10**6))


def bits(readings: list[Reading]) -> list[tuple[int, str, int, str]]:
    return [(r.time, r.value.hex(), r.quality, r.reason) for r in readings]


@pytest.mark.parametrize("form", ["csv", "jsonl", "parquet"])
def test_an_export_comes_back_bit_for_bit(
    call: Call, place: Place, tmp_path: Path, parsed: Parsed, form: str
) -> None:
    there = odd_readings()
    fill(place, there)
    exported = call("series", LEVEL, "--raw", "--format", form, "--config", place.config)
    assert exported.exit_code == 0, exported.output
    file = tmp_path / f"level.{form}"
    file.write_bytes(exported.stdout_bytes)
    other = ("--config", place.config, "--data", tmp_path / "other", "--json")
    done = parsed(call("history", "import", file, *other))
    assert (done["stored"], done["already"]) == (len(there), 0)
    again = parsed(call("history", "import", file, *other))
    assert (again["stored"], again["already"]) == (0, len(there))
    with closing(SqliteArchive(tmp_path / "other" / FILE_NAME)) as archive:
        found = list(archive.readings(LEVEL, 0, 2**60, None, 10**6))
    assert bits(found) == bits(there)


def test_the_running_service_takes_them_in(
    call: Call, running: tuple[Place, Core], tmp_path: Path, parsed: Parsed
) -> None:
    place, core = running
    before = len(kept(place))
    file = tmp_path / "old.csv"
    lines = [
        f"2024-03-0{1 + n // 48}T{n // 2 % 24:02}:{n % 2 * 30:02}:00Z,{30 + n / 10},cm"
        for n in range(96)
    ]
    file.write_text("\n".join(["time,value,unit", *lines]))
    words = ("history", "import", file, "--channel", LEVEL, "--config", place.config)
    looked = call(*words, "--check")
    assert "96 readings are as they should be. Nothing was stored." in looked.output
    assert "96 are older than the raw_days of their channel" in looked.output
    assert len(kept(place)) == before
    done = parsed(call(*words, "--json"))
    assert [done[k] for k in ("stored", "already", "summed_up", "let_go")] == [96, 0, 96, 0]
    with closing(SqliteArchive(place.data / FILE_NAME)) as archive:
        buckets = archive.series(LEVEL, 0, T0, 1000)
    assert sum(bucket.count for bucket in buckets) == 96
    assert buckets[0].minimum == pytest.approx(300.0)  # cm became mm
    assert "0 readings stored, 96 were there already." in call(*words).output
    assert not core.failed.is_set()


def test_what_is_too_old_to_be_kept_is_told_and_left_out(
    call: Call, place: Place, tmp_path: Path, parsed: Parsed
) -> None:
    text = place.config.read_text("utf-8")
    place.config.write_text(f"[history]\nhourly_years = 2\n\n{text}", "utf-8")
    now = SystemClock().now().utc
    ages = (1, 2, 500, 501, 502, 1000)  # days
    file = tmp_path / "old.csv"
    lines = [f"{to_rfc3339(now - days * 24 * HOUR)},{LEVEL},300" for days in ages]
    file.write_text("\n".join(["time,channel,value", *lines]))
    words = ("history", "import", file, "--config", place.config)
    looked = call(*words, "--check")
    assert "3 are older than the raw_days of their channel" in looked.output
    assert "1 are older than the hourly_years of their channel and would not be" in looked.output
    done = parsed(call(*words, "--json"))
    counted = {"readings": 6, "stored": 5, "already": 0, "summed_up": 3, "let_go": 1}
    assert {key: done[key] for key in counted} == counted
    assert len(kept(place)) == 5


def test_what_is_too_old_to_be_kept_is_not_copied(call: Call, place: Place) -> None:
    now = SystemClock().now().utc
    new = Reading(LEVEL, now - 3 * 24 * HOUR, 2.0)
    fill(place, [Reading(LEVEL, now - 1000 * 24 * HOUR, 1.0), new])
    target = Place(place.folder / "other")
    target.folder.mkdir()
    text = place.config.read_text("utf-8")
    target.config.write_text(f"[history]\nhourly_years = 2\n\n{text}", "utf-8")
    words = ("history", "copy", "--from", place.config, "--from-data", place.data)
    done = call(*words, "--config", target.config, "--data", target.data)
    assert "1 readings copied, 0 were there already." in done.output
    assert f"Left out of {LEVEL}: what is older than its hourly_years here" in done.output
    assert kept(target) == [new]


def test_every_bad_line_is_named_and_nothing_is_stored(
    call: Call, recorded: Place, tmp_path: Path
) -> None:
    there = kept(recorded)
    file = tmp_path / "bad.csv"
    file.write_text(
        "time,channel,value,unit,quality\n"
        f"2026-04-01T00:00:00Z,{LEVEL},300,mm,good\n"
        f"2026-04-01T00:00:05,{LEVEL},300,mm,good\n"
        f"2026-04-01T00:00:10Z,{LEVEL}s,300,mm,good\n"
        f"2026-04-01T00:00:15Z,{LEVEL},high,mm,good\n"
        f"2026-04-01T00:00:20Z,{LEVEL},300,degF,good\n"
        f"2026-04-01T00:00:25Z,{LEVEL},nan,mm,good\n"
        f"2026-04-01T00:00:30Z,{LEVEL},300,mm,fine\n"
        f"2126-04-01T00:00:35Z,{LEVEL},300,mm,good\n"
        f"1970-04-01T00:00:40Z,{LEVEL},300,mm,good\n"
        f"2026-04-01T00:00:45Z,{LEVEL},300\n"
    )
    refused = call("history", "import", file, "--config", recorded.config)
    assert isinstance(refused.exception, ConfigError)
    told = refused.exception.problems
    assert [problem.split(": ")[0] for problem in told] == [
        f"{file}, line {number}" for number in range(3, 12)
    ]
    for sentence, cure in zip(
        told,
        ("with Z", "Did you mean", "is not a number", "is in 'mm'", "not finite",
         "good, uncertain or bad", "in the future", "before 2000", "fewer fields"),
        strict=True,
    ):  # fmt: skip
        assert cure in sentence
    assert kept(recorded) == there


def test_a_file_that_is_none_says_what_it_should_be(
    call: Call, recorded: Place, tmp_path: Path
) -> None:
    for name, content, cure in (
        ("a.txt", "x", "name it .csv, .jsonl or .parquet"),
        ("b.csv", "start,end,min,mean,max,count\n", "export with --raw"),
        ("c.csv", "when,what\n", "write time,value and any of"),
        ("d.csv", "time,value\n2026-04-01T00:00:00Z,300\n", "name it with --channel"),
        ("e.jsonl", "[1]\n", "line 1: is not a JSON object"),
        ("f.jsonl", '{"time": 1}{\n', "line 1: is not JSON"),
        ("g.parquet", "PAR", "cannot be read as Parquet"),
    ):
        file = tmp_path / name
        file.write_text(content)
        refused = call("history", "import", file, "--config", recorded.config)
        assert isinstance(refused.exception, ConfigError), name
        assert cure in str(refused.exception)
    gone = call("history", "import", tmp_path / "gone.csv", "--config", recorded.config)
    assert isinstance(gone.exception, ConfigError)
    assert "gone.csv cannot be read: No such file" in str(gone.exception)
    wrong = call("history", "import", "x.csv", "--channel", "no", "--config", recorded.config)
    assert "--channel no: is not configured." in str(wrong.exception)


def test_without_a_quality_the_valid_range_judges(
    call: Call, place: Place, tmp_path: Path, parsed: Parsed
) -> None:
    place.config.write_text(
        place.config.read_text().replace('vessel = "sump"', 'vessel = "sump"\nvalid = [0, 450]')
    )
    file = tmp_path / "a.jsonl"
    row = f'"channel": "{LEVEL}", "time": "2026-05-01T12:00:'
    file.write_text(
        f'{{{row}00Z", "value": 300}}\n\n{{{row}05Z", "value": 999.5}}\n'
        f'{{{row}10Z", "value": 998, "quality": "uncertain"}}\n'
    )
    parsed(call("history", "import", file, "--config", place.config, "--json"))
    assert [(r.value, r.quality) for r in kept(place)] == [
        (300.0, Quality.GOOD),
        (999.5, Quality.BAD),
        (998.0, Quality.UNCERTAIN),
    ]


@pytest.mark.slow
def test_a_history_on_a_server_gets_them_from_the_file(
    call: Call, place: Place, tmp_path: Path, parsed: Parsed
) -> None:
    server = Victoria(tmp_path / "server")
    try:
        text = f'[history]\nkind = "victoriametrics"\nurl = "{server.url}"\n'
        place.config.write_text(place.config.read_text() + text)
        file = tmp_path / "old.csv"
        lines = [f"2026-03-01T00:{n:02}:00Z,{n}" for n in range(60)]
        file.write_text("\n".join(["time,value", *lines]))
        words = ("history", "import", file, "--channel", LEVEL, "--config", place.config)
        assert parsed(call(*words, "--json"))["stored"] == 60
        core = build_core(load(place.config), SystemClock())
        try:
            core.start()
            far = VictoriaHistory(server.url, "", Login())
            wait_for(lambda: len(far.readings(LEVEL, 0, T0, 100)) == 60, every=0.3)
            wait_for(lambda: core.health.as_json()["counts"]["history"]["sent"] == 60)
            shown = core.health.as_json()["counts"]["history"]
            assert (shown["sent"], shown["server"], shown["state"]) == (60, "VictoriaMetrics", "")
            again = parsed(call(*words, "--json"))
            assert again["already"] == 60  # recent still: not yet confirmed
        finally:
            core.stop()
        found = parsed(call("series", LEVEL, "--config", place.config, "--points", "1", "--json"))
        assert [item["count"] for item in found["items"]] == [60]
    finally:
        server.kill()


@pytest.mark.slow
def test_history_moves_to_a_server_and_back(
    call: Call, place: Place, tmp_path: Path, parsed: Parsed
) -> None:
    there = [
        Reading(LEVEL, T0 + n * 7_000_000, 300 + n / 8, *kind)
        for n in range(1500)
        for kind in [[(Quality.GOOD, ""), (Quality.UNCERTAIN, "warming up")][n % 2]]
    ]
    fill(place, there)
    server = Victoria(tmp_path / "server")
    try:
        text = place.config.read_text()
        far, back = tmp_path / "far.toml", tmp_path / "back.toml"
        where = f'data_dir = "{place.data}"\n'
        text = text.replace("[service]\n", f"[service]\n{where}")
        far.write_text(f'{text}[history]\nkind = "victoriametrics"\nurl = "{server.url}"\n')
        back.write_text(text.replace(str(place.data), str(tmp_path / "new")))
        words = ("history", "copy", "--from", place.config, "--config", far)
        told = call(*words)
        assert f"{LEVEL}: 1500 copied, 0 were there" in told.output
        server.settle()  # a busy server shows what it took a moment later even so
        wait_for(lambda: parsed(call(*words, "--json"))["already"] == 1500)
        with closing(open_writer(place.data / FILE_NAME)) as connection:
            connection.execute("DELETE FROM block")
            end = T0 + 4 * HOUR
            connection.execute("UPDATE far SET confirmed_end = ?", (end,))
        home = ("history", "copy", "--from", far, "--config", back, "--json")
        assert parsed(call(*home))["stored"] == 1500
        with closing(SqliteArchive(tmp_path / "new" / FILE_NAME)) as archive:
            found = list(archive.readings(LEVEL, 0, 2**60, None, 10**6))
        assert bits(found) == bits(there)
        same = call("history", "copy", "--from", back, "--config", back)
        assert "the same history" in str(same.exception)
        back.write_text(back.read_text().replace('"mm"', '"cm"'))
        refused = call("history", "copy", "--from", far, "--config", back)
        assert "is in 'mm': keep that unit" in str(refused.exception)
    finally:
        server.kill()


@pytest.mark.slow
def test_a_copy_leaves_what_the_service_is_just_sending_to_it(
    call: Call, place: Place, tmp_path: Path, parsed: Parsed
) -> None:
    now = SystemClock().now().utc
    ages = [3 * HOUR, 300 * SECOND, 5 * SECOND]
    fill(place, [Reading(LEVEL, now - age, float(n)) for n, age in enumerate(ages)])
    server = Victoria(tmp_path / "server")
    try:
        far = tmp_path / "far.toml"
        text = place.config.read_text().replace(
            "[service]\n", f'[service]\ndata_dir = "{place.data}"\n'
        )
        far.write_text(f'{text}[history]\nkind = "victoriametrics"\nurl = "{server.url}"\n')
        words = ("history", "copy", "--from", place.config, "--config", far, "--json")
        assert parsed(call(*words))["stored"] == 2
        assert parsed(call(*words))["already"] == 2  # at once: it shows what it took
        history = VictoriaHistory(server.url, "", Login())
        core = build_core(load(far), SystemClock())
        try:
            core.start()
            wait_for(lambda: len(history.readings(LEVEL, 0, 2**60, 9)) == 3, every=0.3)
        finally:
            core.stop()
        server.settle()
        start, end = now - 4 * HOUR, now - 200 * SECOND
        grid = Grid(start, end - start, start, end, hourly=False)
        assert [piece.count for piece in history.pieces(LEVEL, grid, 0, 1)] == [2]
    finally:
        server.kill()


def test_two_buckets_of_one_server_are_two_histories(
    call: Call, place: Place, tmp_path: Path
) -> None:
    text = place.config.read_text()
    files = [tmp_path / "one.toml", tmp_path / "other.toml"]
    login = tmp_path / "login.toml"
    login.write_text('token = "x"')
    for file in files:
        where = '[history]\nkind = "influxdb"\nurl = "http://127.0.0.1:9"\norg = "o"\n'
        where += f'credentials_file = "{login}"\n'
        file.write_text(f'{text}{where}bucket = "{file.stem}"\n')
    told = call("history", "copy", "--from", files[0], "--config", files[1])
    assert "the same history" not in str(told.exception)
    told = call("history", "copy", "--from", files[0], "--config", files[0])
    assert "the same history" in str(told.exception)


def test_what_a_wrong_clock_put_into_the_future_does_not_stop_a_copy(
    call: Call, running: tuple[Place, Core], place: Place
) -> None:
    now = SystemClock().now().utc
    unheard = "harbour-hall/sump-node/unheard"
    times = [now - HOUR, now - HOUR + SECOND, now + 3000 * 24 * HOUR]
    settings = load(place.config)
    place.data.mkdir()
    with closing(open_journal(place.data, "x")[0]) as journal:
        journal.adopt(settings.channels, settings.rules)
        journal.take_in([Reading(unheard, time, 25.0) for time in times], times[-1])
    target, _ = running
    words = ("--config", target.config, "--data", target.data)
    done = call("history", "copy", "--from", place.config, *words)
    assert done.exit_code == 0, done.exception
    assert f"{unheard}: 2 copied, 0 were there" in done.output
    assert f"Left out of {unheard}: what a clock that was wrong put into" in done.output
