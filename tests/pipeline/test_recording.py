"""Recorded readings and commands: read whole, or refused with every bad line named."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.loop_world import LEVEL, settings_of
from support.still_clock import NOON

from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND, to_rfc3339
from weirwatch.domain.operator import COMMANDS, Command
from weirwatch.domain.reading import Quality, Reading
from weirwatch.pipeline.recording import MOST_PROBLEMS, read_commands, read_readings

CHANNELS = {channel.id: channel for channel in settings_of().channels}
LEAK = "harbour-hall/hall-node/leak"


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "readings.csv"


def problems_of(file: Path, text: str | bytes, what: str = "readings") -> list[str]:
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(ConfigError) as refused:
        read_readings(file, CHANNELS) if what == "readings" else read_commands(file)
    return [problem.replace(str(file), "F") for problem in refused.value.problems]


# --- readings --------------------------------------------------------------------------------


def test_readings_come_in_the_order_of_the_file(file: Path) -> None:
    file.write_text(
        "time,channel,value,quality\n"
        f"2026-05-01T12:00:05Z,{LEVEL},320.5,good\n"
        f"2026-05-01T14:00:00+02:00,{LEVEL},-1e-3,\n"
        f"2026-05-01T12:00:00.000001Z, {LEVEL} , 310 ,Uncertain\n"
        f"2026-05-01T12:00:00Z,{LEAK},true,BAD\n"
        f"2026-05-01T12:00:00Z,{LEAK},0,good\n"
    )
    assert read_readings(file, CHANNELS) == [
        Reading(LEVEL, NOON + 5 * SECOND, 320.5),
        Reading(LEVEL, NOON, -0.001),
        Reading(LEVEL, NOON + 1, 310.0, Quality.UNCERTAIN),
        Reading(LEAK, NOON, 1.0, Quality.BAD),
        Reading(LEAK, NOON, 0.0),
    ]


@pytest.mark.parametrize(
    "text",
    [
        f"time,channel,value\n2026-05-01T12:00:00Z,{LEVEL},1\n",
        f"channel,value,time\n{LEVEL},1,2026-05-01T12:00:00Z",
        f"\ufefftime,channel,value\r\n\r\n2026-05-01T12:00:00Z,{LEVEL},1\r\n\r\n",
        f'"time","channel","value"\n"2026-05-01T12:00:00Z","{LEVEL}","1"\n',
    ],
    ids=["plain", "columns in another order", "a spreadsheet's", "quoted"],
)
def test_ways_to_write_the_same(file: Path, text: str) -> None:
    file.write_bytes(text.encode())
    assert read_readings(file, CHANNELS) == [Reading(LEVEL, NOON, 1.0)]


def test_a_header_alone_holds_no_readings(file: Path) -> None:
    file.write_text("time,channel,value\n")
    assert read_readings(file, CHANNELS) == []


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (
            f"yesterday,{LEVEL},1",
            "time 'yesterday': write RFC 3339 with Z, as 2026-05-01T12:00:00Z",
        ),
        (f"2026-05-01T12:00:00,{LEVEL},1", "time '2026-05-01T12:00:00': write RFC 3339"),
        (f"2026-02-30T12:00:00Z,{LEVEL},1", "time '2026-02-30T12:00:00Z': write RFC 3339"),
        (f"0001-01-01T00:00:00+14:00,{LEVEL},1", "time '0001-01-01T00:00:00+14:00'"),
        (f"9999-12-31T23:59:59-14:00,{LEVEL},1", "time '9999-12-31T23:59:59-14:00'"),
        ("2026-05-01T12:00:00Z,hall/x/y,1", "channel 'hall/x/y' is not configured"),
        (f"2026-05-01T12:00:00Z,{LEVEL},wet", "value 'wet' is not a number"),
        (f"2026-05-01T12:00:00Z,{LEVEL},nan", "value 'nan' is not finite"),
        (f"2026-05-01T12:00:00Z,{LEVEL},1e999", "value '1e999' is not finite"),
        (f"2026-05-01T12:00:00Z,{LEVEL},true", "value 'true' is not a number"),
        (f"2026-05-01T12:00:00Z,{LEAK},2", "value '2': a switch is 0 or 1, false or true"),
        (f"2026-05-01T12:00:00Z,{LEAK},open", "value 'open': a switch is 0 or 1, false or true"),
        (f"2026-05-01T12:00:00Z,{LEVEL},", "value is missing"),
        (f"2026-05-01T12:00:00Z,{LEVEL}", "value is missing"),
        (f" ,{LEVEL},1", "time is missing"),
        (f"2026-05-01T12:00:00Z,{LEVEL},1,fine", "quality 'fine': write good, uncertain or bad"),
        (f"2026-05-01T12:00:00Z,{LEVEL},1,good,why", "more values than the header has columns"),
    ],
)
def test_a_bad_line_is_named_with_its_cure(file: Path, row: str, words: str) -> None:
    good = f"2026-05-01T12:00:00Z,{LEVEL},1"
    (problem,) = problems_of(file, f"time,channel,value,quality\n{good}\n{row}\n{good}\n")
    assert problem.startswith("F, line 3: ")
    assert words in problem


def test_every_bad_line_is_named_at_once(file: Path) -> None:
    rows = ["time,channel,value", f"x,{LEVEL},1", f"2026-05-01T12:00:00Z,{LEVEL},1", "", "a,b,c"]
    found = problems_of(file, "\n".join(rows))
    assert [problem.split(": ")[0] for problem in found] == ["F, line 2", "F, line 5"]


def test_a_file_that_is_wrong_altogether_does_not_fill_the_screen(file: Path) -> None:
    found = problems_of(file, "time,channel,value\n" + "a,b,c\n" * 1000)
    assert len(found) == MOST_PROBLEMS + 1
    assert found[-1] == "F: more lines may be wrong; these are the first"


@pytest.mark.parametrize(
    ("header", "shown"),
    [
        ("time,value", "'time,value'"),
        ("time,channel,value,vessel", "'time,channel,value,vessel'"),
        ("time;channel;value", "'time;channel;value'"),
        ("time,channel,value,value", "'time,channel,value,value'"),
        ("", "''"),
        ("2026-05-01T12:00:00Z,hall/a/b,1", "'2026-05-01T12:00:00Z,hall/a/b,1'"),
    ],
)
def test_a_wrong_header_is_shown_beside_the_right_one(file: Path, header: str, shown: str) -> None:
    assert problems_of(file, f"{header}\n1,2,3\n" if header else "") == [
        f"F, line 1: header {shown}: write time,channel,value[,quality][,reason][,unit]"
    ]


def test_what_is_no_csv_at_all(file: Path) -> None:
    (problem,) = problems_of(file, f'time,channel,value\n2026-05-01T12:00:00Z,"{LEVEL},1\n')
    assert problem.startswith("F, line 2: not CSV: ")


def test_a_file_that_cannot_be_read(file: Path, tmp_path: Path) -> None:
    assert "F cannot be read: " in problems_of(file, b"time,channel,value\n\xff\xfe")[0]
    with pytest.raises(ConfigError, match=r"missing\.csv cannot be read: .*No such file"):
        read_readings(tmp_path / "missing.csv", CHANNELS)
    with pytest.raises(ConfigError, match="cannot be read: "):
        read_readings(tmp_path, CHANNELS)


VALUES = st.floats(allow_nan=False, allow_infinity=False)
TIMES = st.integers(min_value=-(10**15), max_value=10**16)


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(st.lists(st.tuples(TIMES, VALUES, st.sampled_from(Quality)), max_size=8))
def test_what_is_written_out_is_read_back(
    file: Path, rows: list[tuple[int, float, Quality]]
) -> None:
    lines = [
        f"{to_rfc3339(time)},{LEVEL},{value!r},{quality.word}" for time, value, quality in rows
    ]
    file.write_text("\n".join(["time,channel,value,quality", *lines]))
    assert read_readings(file, CHANNELS) == [
        Reading(LEVEL, time, value, quality) for time, value, quality in rows
    ]


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused_in_sentences(file: Path, content: bytes) -> None:
    file.write_bytes(b"time,channel,value\n" + content)
    problems: list[str] = []
    readings: list[Reading] = []
    try:
        readings = read_readings(file, CHANNELS)
    except ConfigError as refused:
        problems = refused.problems
    assert all(str(file) in problem for problem in problems)
    assert all(reading.channel in CHANNELS for reading in readings)


# --- commands --------------------------------------------------------------------------------


def test_commands_with_everything_and_with_little(file: Path) -> None:
    file.write_text(
        "time,command,rule,minutes,comment\n"
        '2026-05-01T12:00:00Z,shelve,sump-high,30,"water test, ten minutes"\n'
        "2026-05-01T12:00:01Z,acknowledge,sump-high,,\n"
    )
    assert read_commands(file) == [
        (
            NOON,
            Command("shelve", "sump-high", "replay", "water test, ten minutes", minutes=30.0),
        ),
        (NOON + SECOND, Command("acknowledge", "sump-high", "replay")),
    ]
    file.write_text("time,command,rule\n2026-05-01T12:00:00Z,reset,sump-high\n")
    assert read_commands(file) == [(NOON, Command("reset", "sump-high", "replay"))]


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_of_the_api_can_be_given(file: Path, name: str) -> None:
    file.write_text(f"time,command,rule\n2026-05-01T12:00:00Z,{name},sump-high\n")
    assert read_commands(file)[0][1].name == name


@pytest.mark.parametrize("comment", ["two\nlines", "one\u2028paragraph", 'a "word"', "x\x0cy"])
def test_a_comment_is_kept_as_it_was_written(file: Path, comment: str) -> None:
    quoted = comment.replace('"', '""')
    rows = ["time,command,rule,minutes,comment", f'2026-05-01T12:00:00Z,reset,r,,"{quoted}"']
    file.write_text("\n".join([*rows, "2026-05-01T12:00:00Z,reset,other,,"]))
    assert [c.comment for _, c in read_commands(file)] == [comment, ""]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("2026-05-01T12:00:00Z,dance,r,,", "command 'dance' is unknown: use one of acknowledge, "),
        ("2026-05-01T12:00:00Z,shelve,r,soon,", "minutes 'soon' is not a number"),
        ("2026-05-01T12:00:00Z,shelve,r,true,", "minutes 'true' is not a number"),
        ("2026-05-01T12:00:00Z,shelve,r,inf,", "minutes 'inf' is not finite"),
        ("noon,shelve,r,5,", "time 'noon': write RFC 3339"),
        ("2026-05-01T12:00:00Z,shelve,,5,", "rule is missing"),
    ],
)
def test_a_bad_command_is_named_with_its_cure(file: Path, row: str, words: str) -> None:
    (problem,) = problems_of(file, f"time,command,rule,minutes,comment\n{row}\n", "commands")
    assert problem.startswith("F, line 2: ")
    assert words in problem
