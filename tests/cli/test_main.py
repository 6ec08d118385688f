"""The command as a whole: help, version, exit codes, and sentences instead of tracebacks."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from support.cli_types import Call, Place, Run

from weirwatch.domain.errors import ConfigError
from weirwatch.store.schema import FILE_NAME

FAMILIES = ["alarms", "work", "log", "report", "token", "proof", "history", "notice", "node"]
COMMANDS = [
    "demo",
    "serve",
    "check",
    "drill",
    "replay",
    "status",
    "series",
    "backup",
    "restore",
    "farwatch",
    "doctor",
    *FAMILIES,
]


def test_help_names_every_command(call: Call) -> None:
    result = call("--help")
    assert result.exit_code == 0
    lines = result.output.split("Commands:")[1].splitlines()
    assert [
        line.split()[0] for line in lines if line[2:3].strip()
    ] == COMMANDS  # others are wrapped


def test_no_sentence_of_the_lists_of_commands_is_cut_off(call: Call) -> None:
    whole = " ".join(call("--help").output.split())
    assert "say so when it, its broker or the site is dark." in whole
    for family in FAMILIES:
        listed = call(family, "--help").output.split("Commands:")[1]
        assert "..." not in listed


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_a_help_that_ends_in_order(call: Call, command: str) -> None:
    result = call(command, "--help")
    assert result.exit_code == 0
    assert "--config" in result.output or "Commands:" in result.output  # a family's words take it
    usage = result.output.split("\n\n")[0]
    assert "[[" not in usage, "what may be left out stands in one pair of brackets"


def test_version(run: Run) -> None:
    result = run("--version")
    assert (result.returncode, result.stdout) == (0, "weirwatch 0.1.0\n")


def test_nothing_heavy_is_imported_before_a_command_is_chosen() -> None:
    code = (
        "import sys; from weirwatch.cli.main import build_app; build_app();"
        "print(*(m for m in ('pydantic', 'numpy', 'paho', 'fastapi', 'nicegui', 'rich.table',"
        " 'weirsim', 'sqlite3', 'msgspec') if m in sys.modules))"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert (found.stdout, found.stderr) == ("\n", "")


def test_the_help_loads_nothing_heavy() -> None:
    # What makes a start slow is what it imports: that does not depend on how busy a machine is.
    heavy = {"fastapi", "nicegui", "numpy", "gsw", "PyCO2SYS", "paho", "sqlite3", "pydantic"}
    code = (
        "import sys\nfrom weirwatch.cli.main import main\nsys.argv = ['weirwatch', '--help']\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        f"print(sorted({heavy!r} & set(sys.modules)), file=sys.stderr)"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "Usage: weirwatch" in ran.stdout
    assert ran.stderr.splitlines()[-1] == "[]"


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        ([], 2, "Usage: weirwatch"),
        (["nonsense"], 2, "No such command 'nonsense'"),
        (["status", "--nonsense"], 2, "No such option: --nonsense"),
        (["series"], 2, "Missing argument 'CHANNEL'"),
        (["series", "x", "--points", "0"], 2, "greater than or equal to 1"),
        (["status"], 2, "weirwatch.toml: there is no such file"),
        (["serve"], 2, "weirwatch.toml: there is no such file"),
        (["alarms", "--config", "none.toml"], 2, "none.toml: there is no such file"),
        (["check", "none.toml"], 2, "none.toml: there is no such file"),
    ],
)
def test_wrong_use_is_code_2_with_a_sentence_on_standard_error(
    run: Run, words: list[str], code: int, told: str
) -> None:
    result = run(*words)
    assert result.returncode == code
    assert told in result.stderr + (result.stdout if not words else "")
    assert "Traceback" not in result.stderr


def test_a_damaged_file_is_one_sentence(run: Run, recorded: Place) -> None:
    file = recorded.data / FILE_NAME
    file.write_bytes(b"no database at all" * 1000)
    result = run("alarms", "--config", recorded.config)
    assert result.returncode == 1
    assert "Traceback" not in result.stderr
    assert FILE_NAME in result.stderr


def test_a_reader_that_has_had_enough_gets_no_complaint(recorded: Place) -> None:
    command = Path(sys.executable).with_name("weirwatch")
    words = ["series", "harbour-hall/sump-node/level", "--raw", "--format", "jsonl"]
    reading, writing = os.pipe()
    os.close(reading)  # has gone before the first line
    try:
        done = subprocess.run(
            [command, *words, "--config", recorded.config],
            stdout=writing,
            stderr=subprocess.PIPE,
            text=True,
            timeout=180,
        )
    finally:
        os.close(writing)
    assert (done.returncode, done.stderr) == (1, "")  # as click does it


def test_the_environment_names_the_configuration(call: Call, recorded: Place) -> None:
    env = {"WEIRWATCH_CONFIG": str(recorded.config)}
    assert call("alarms", env=env).exit_code == 0
    assert call("alarms", "list", "--config", recorded.config).exit_code == 0
    assert call("alarms", "--config", recorded.config, "list").exit_code == 0


@pytest.mark.parametrize("command", ["serve", "demo", "farwatch"])
def test_an_unknown_log_level_is_wrong_use(
    call: Call, place: Place, tmp_path: Path, command: str
) -> None:
    more = ("--data", tmp_path / "demo") if command == "demo" else ("--config", place.config)
    refused = call(command, "--log-level", "loud", *more)
    assert isinstance(refused.exception, ConfigError)
    assert "--log-level loud: write one of debug, info" in str(refused.exception)
    assert not (tmp_path / "demo").exists()


def test_a_demo_that_may_not_write_says_so_and_is_wrong_use(call: Call, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    refused = call("demo", "--data", tmp_path / "file" / "demo")
    assert isinstance(refused.exception, ConfigError)
    assert "name a folder that you may write" in str(refused.exception)
