"""`weirwatch replay` as a keeper calls it: two files, an exit code, and no trace."""

import json
import sys
from pathlib import Path
from subprocess import CompletedProcess
from typing import Any, NamedTuple

import pytest
from support.cli_types import Run

from weirwatch.cli.main import main

CONFIG = """
[[system]]
id = "harbour-hall"
[[channel]]
id = "harbour-hall/sump-node/level"
quantity = "level"
unit = "mm"
[[channel]]
id = "harbour-hall/power-node/mains"
quantity = "switch"
[[rule]]
id = "sump-high"
title = "Sump high"
kind = "absolute"
channel = "harbour-hall/sump-node/level"
high = 310
deadband = 10
on_delay_s = 30
failure = "sump-high"
response = "Look for a siphon."
[[rule]]
id = "mains-lost"
title = "Mains lost"
kind = "absolute"
channel = "harbour-hall/power-node/mains"
is = false
failure = "mains-lost"
response = "Count the hours."
[[recipient]]
id = "log"
kind = "file"
path = "notices.jsonl"
"""
LEVEL = "harbour-hall/sump-node/level"
READINGS = f"""time,channel,value,quality
2026-05-01T12:01:00Z,{LEVEL},290,good
2026-05-01T12:00:00Z,{LEVEL},320,good
2026-05-01T12:00:30Z,harbour-hall/power-node/mains,false,
"""
# The contract of the output: these keys, in this order, and no others.
KEYS = ["time", "rule", "from", "to", "service_from", "service_to", "value", "annunciated"]


class Done(NamedTuple):
    """What a run of the command said."""

    returncode: int
    stdout: str
    stderr: str


class Bench:
    """A folder with a configuration and recordings, and the command run in it."""

    def __init__(
        self,
        folder: Path,
        monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        self.folder = folder
        self._monkeypatch = monkeypatch
        self._capsys = capsys
        monkeypatch.chdir(folder)
        monkeypatch.delenv("WEIRWATCH_CONFIG", raising=False)
        self.write("hall.toml", CONFIG)
        self.write("r.csv", READINGS)

    def write(self, name: str, text: str) -> None:
        (self.folder / name).write_text(text)

    def replay(self, *more: str) -> Done:
        """Run the real `main` in this process."""
        words = ["weirwatch", "replay", "--config", "hall.toml", "--readings", "r.csv", *more]
        self._monkeypatch.setattr(sys, "argv", words)
        with pytest.raises(SystemExit) as ended:
            main()
        said = self._capsys.readouterr()
        return Done(int(ended.value.code or 0), said.out, said.err)

    def listing(self) -> dict[str, bytes]:
        return {
            str(path.relative_to(self.folder)): path.read_bytes() if path.is_file() else b""
            for path in self.folder.rglob("*")
        }


@pytest.fixture
def bench(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Bench:
    folder = tmp_path / "bench"
    folder.mkdir()
    return Bench(folder, monkeypatch, capsys)


def lines(done: "Done | CompletedProcess[str]") -> list[dict[str, Any]]:
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_transitions_as_json_lines_in_order_of_time(bench: Bench) -> None:
    before = bench.listing()
    done = bench.replay("--json")
    assert (done.returncode, done.stderr) == (0, "")
    found = lines(done)
    assert [list(line) for line in found] == [KEYS] * 3
    assert found == [
        {
            "time": "2026-05-01T12:00:30Z",  # the deadline comes before the reading of its instant
            "rule": "sump-high",
            "from": "normal",
            "to": "unacknowledged",
            "service_from": "in-service",
            "service_to": "in-service",
            "value": 320.0,
            "annunciated": True,
        },
        {
            "time": "2026-05-01T12:00:30Z",
            "rule": "mains-lost",
            "from": "normal",
            "to": "unacknowledged",
            "service_from": "in-service",
            "service_to": "in-service",
            "value": 0.0,
            "annunciated": True,
        },
        {
            "time": "2026-05-01T12:01:00Z",
            "rule": "sump-high",
            "from": "unacknowledged",
            "to": "returned-unacknowledged",
            "service_from": "in-service",
            "service_to": "in-service",
            "value": 290.0,
            "annunciated": False,
        },
    ]
    assert bench.listing() == before  # nothing was left behind, nothing was changed


def test_for_people(bench: Bench) -> None:
    bench.write("c.csv", "time,command,rule\n2026-05-01T12:00:40Z,shelve,mains-lost\n")
    done = bench.replay("--commands", "c.csv")
    assert done.returncode == 0
    assert done.stdout.splitlines() == [
        "2026-05-01T12:00:30Z sump-high: normal → unacknowledged value 320 ANNUNCIATED",
        "2026-05-01T12:00:30Z mains-lost: normal → unacknowledged value 0 ANNUNCIATED",
        "2026-05-01T12:00:40Z mains-lost: unacknowledged → unacknowledged"
        " [in-service → shelved] value 0",
        "2026-05-01T12:01:00Z sump-high: unacknowledged → returned-unacknowledged value 290",
    ]


def test_until_ends_it_sooner_or_later(bench: Bench) -> None:
    assert bench.replay("--json", "--until", "2026-05-01T12:00:29.999Z").stdout == ""
    done = bench.replay("--json", "--until", "2026-05-01T14:00:30+02:00")
    assert [line["rule"] for line in lines(done)] == ["sump-high", "mains-lost"]
    bench.write("r.csv", f"time,channel,value\n2026-05-01T12:00:00Z,{LEVEL},320\n")
    assert bench.replay("--json").stdout == ""
    assert len(lines(bench.replay("--json", "--until", "2026-05-02T00:00:00Z"))) == 1


def test_commands_are_played_at_their_time(bench: Bench) -> None:
    bench.write(
        "c.csv",
        "time,command,rule,minutes,comment\n"
        "2026-05-01T12:00:45Z,acknowledge,sump-high,,going there\n"
        "2026-05-01T12:00:50Z,remove-from-service,mains-lost,30,fuse being changed\n",
    )
    done = bench.replay("--json", "--commands", "c.csv", "--until", "2026-05-01T13:00:00Z")
    assert (done.returncode, done.stderr) == (0, "")
    told = [
        (line["time"][11:], line["rule"], line["to"], line["service_to"]) for line in lines(done)
    ]
    assert told[2:] == [
        ("12:00:45Z", "sump-high", "acknowledged", "in-service"),
        ("12:00:50Z", "mains-lost", "unacknowledged", "out-of-service"),
        ("12:01:00Z", "sump-high", "normal", "in-service"),
        ("12:30:50Z", "mains-lost", "unacknowledged", "in-service"),
    ]
    assert lines(done)[-1]["annunciated"] is True


def test_an_illegal_command_is_told_and_the_run_goes_on(bench: Bench) -> None:
    bench.write(
        "c.csv",
        "time,command,rule\n"
        "2026-05-01T12:00:10Z,acknowledge,sump-high\n"
        "2026-05-01T12:00:11Z,reset,nobody\n"
        "2026-05-01T12:00:45Z,acknowledge,sump-high\n",
    )
    done = bench.replay("--json", "--commands", "c.csv")
    assert done.returncode == 1
    first, second = done.stderr.splitlines()
    assert first.startswith("2026-05-01T12:00:10Z sump-high is normal: acknowledge refused, ")
    assert second == "2026-05-01T12:00:11Z no rule has the id 'nobody'"
    assert [line["to"] for line in lines(done)] == [
        "unacknowledged",
        "unacknowledged",
        "acknowledged",
        "normal",
    ]


def test_nothing_happened_is_no_error(bench: Bench) -> None:
    bench.write("r.csv", "time,channel,value\n")
    done = bench.replay("--json")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


@pytest.mark.parametrize(
    ("name", "text", "more", "words"),
    [
        ("hall.toml", "[[rule]]\n", [], "hall.toml"),
        ("hall.toml", "not toml", [], "hall.toml"),
        ("r.csv", "time,value\n", [], "r.csv, line 1: header 'time,value'"),
        ("r.csv", "time,channel,value\nnoon,hall,wet\n", [], "r.csv, line 2: channel 'hall'"),
        ("c.csv", "time,command,rule\nnoon,reset,x\n", ["--commands", "c.csv"], "c.csv, line 2:"),
        ("c.csv", "", ["--commands", "missing.csv"], "missing.csv cannot be read: No such file"),
        ("c.csv", "", ["--until", "tomorrow"], "--until 'tomorrow'"),
        ("c.csv", "", ["--until", "2026-05-01T12:00:00"], "has no offset"),
        ("c.csv", "", ["--no-such-option"], "No such option"),
    ],
)
def test_wrong_use_is_told_in_sentences(
    bench: Bench, name: str, text: str, more: list[str], words: str
) -> None:
    bench.write(name, text)
    before = bench.listing()
    done = bench.replay("--json", *more)
    assert done.returncode == 2
    assert words in done.stderr
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    assert bench.listing() == before


def test_every_bad_line_is_named_and_nothing_is_played(bench: Bench) -> None:
    bench.write("r.csv", READINGS + f"x,{LEVEL},1\n2026-05-01T13:00:00Z,{LEVEL},wet\n")
    done = bench.replay("--json")
    assert (done.returncode, done.stdout) == (2, "")
    assert [line.split(":")[0] for line in done.stderr.splitlines()] == [
        "r.csv, line 5",
        "r.csv, line 6",
    ]


def test_it_needs_no_right_to_write_anywhere(bench: Bench) -> None:
    """Nor a data folder: the one in the configuration is not touched."""
    bench.write("hall.toml", f'[service]\ndata_dir = "/dev/null/nowhere"\n{CONFIG}')
    done = bench.replay("--json")
    assert done.returncode == 0
    assert len(lines(done)) == 3


# --- as a process of its own -----------------------------------------------------------------


def test_the_command_itself_leaves_nothing_behind(bench: Bench, run: Run) -> None:
    words = ["replay", "--config", "hall.toml", "--readings", "r.csv", "--json"]
    before = bench.listing()
    done = run(*words, cwd=bench.folder)
    assert (done.returncode, done.stderr) == (0, "")
    assert [line["to"] for line in lines(done)] == [
        "unacknowledged",
        "unacknowledged",
        "returned-unacknowledged",
    ]
    assert bench.listing() == before
    bench.write("c.csv", "time,command,rule\n2026-05-01T12:00:10Z,reset,sump-high\n")
    before = bench.listing()
    done = run(*words, "--commands", "c.csv", cwd=bench.folder)
    assert (done.returncode, len(lines(done)), len(done.stderr.splitlines())) == (1, 3, 1)
    done = run(*words, "--commands", "missing.csv", cwd=bench.folder)
    assert (done.returncode, done.stdout) == (2, "")
    assert "Traceback" not in done.stderr
    assert bench.listing() == before
