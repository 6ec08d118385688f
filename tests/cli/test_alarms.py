"""`weirwatch alarms` against a real core: list, show, and every command."""

import getpass
from collections.abc import Callable
from typing import Any

import pytest
from support.cli_types import Call, Place
from support.control_client import until
from typer.testing import Result

from weirwatch.app import Core
from weirwatch.domain.errors import ConfigError, IllegalCommand, TransientError, UnknownRule
from weirwatch.pipeline.inbox import ConditionRequest

Parsed = Callable[[Result], Any]
Running = tuple[Place, Core]
Disk = Callable[[str | None], None]


def test_what_has_returned_is_not_said_to_stand_since_its_raise(
    running: Running, call: Call, disk: Disk, standing: None
) -> None:
    place, _ = running
    back = call("alarms", "--config", place.config).output.count("back for")  # service-was-down
    disk(None)
    until(lambda: call("alarms", "--config", place.config).output.count("back for") == back + 1)


def test_the_limit_of_a_switch_is_in_the_words_of_its_channel(running: Running, call: Call) -> None:
    place, _ = running
    shown = call("alarms", "show", "floor-leak", "--config", place.config).output
    assert "Limit         gone" in shown


@pytest.fixture
def ask(running: Running, call: Call, parsed: Parsed) -> Callable[..., Any]:
    """Call `weirwatch alarms …` with --json and return the document."""
    place, _ = running

    def go(*words: str) -> Any:
        result = call("alarms", *words, "--config", place.config, "--json")
        assert result.exit_code == 0, result.exception
        return parsed(result)

    return go


@pytest.fixture
def disk(running: Running, monkeypatch: pytest.MonkeyPatch) -> Disk:
    """Say how the disk is, at once and whenever the core looks again: each minute."""
    _, core = running

    def tell(trouble: str | None) -> None:
        monkeypatch.setattr(core.loop, "_disk_trouble", lambda: trouble)
        core.inbox.put(ConditionRequest("disk-full", trouble))

    return tell


@pytest.fixture
def standing(ask: Callable[..., Any], disk: Disk) -> None:
    """The built-in alarm disk-full stands unacknowledged."""
    disk(None)
    until(lambda: ask("show", "disk-full")["state"] not in ("unacknowledged", "acknowledged"))
    if ask("show", "disk-full")["state"] == "returned-unacknowledged":
        ask("acknowledge", "disk-full")
    disk("12 MB left")
    until(lambda: ask("show", "disk-full")["state"] == "unacknowledged")


def test_json_lists_every_rule_and_the_table_only_what_is_not_normal(
    running: Running, call: Call, ask: Callable[..., Any], standing: None
) -> None:
    place, _ = running
    page = ask()
    assert page["next"] is None
    assert {"sump-high", "floor-leak", "disk-full", "node-offline/sump-node"} <= {
        alarm["id"] for alarm in page["items"]
    }
    assert page["items"][0]["id"] == "disk-full"
    assert ask("list")["items"] == page["items"]
    table = call("alarms", "--config", place.config).output
    assert "HIGH" in table
    assert "unacknowledged" in table
    assert "disk-full" in table
    assert "sump-high" not in table
    assert max(len(line) for line in table.splitlines()) <= 80
    whole = call("alarms", "--all", "--config", place.config).output
    assert "sump-high" in whole
    assert max(len(line) for line in whole.splitlines()) <= 80


def test_states_filter_and_a_wrong_one_is_told(
    running: Running, call: Call, ask: Callable[..., Any], standing: None
) -> None:
    place, _ = running
    found = ask("--state", "unacknowledged")["items"]
    assert [alarm["id"] for alarm in found] == ["disk-full"]
    assert ask("list", "--state", "latched-acknowledged")["items"] == []
    empty = call("alarms", "--state", "latched-acknowledged", "--config", place.config)
    assert empty.output == "No alarm is in such a state.\n"
    wrong = call("alarms", "--state", "acknowleged", "--config", place.config)
    assert isinstance(wrong.exception, ConfigError)
    assert 'Did you mean "acknowledged"?' in str(wrong.exception)


def test_show_has_the_whole_card_first_line_first(
    running: Running, call: Call, ask: Callable[..., Any]
) -> None:
    place, _ = running
    alarm = ask("show", "floor-leak")
    card = alarm["safety_card"]
    text = call("alarms", "show", "floor-leak", "--config", place.config).output
    flat = " ".join(text.split())
    assert flat.index(card["first_line"]) < flat.index("Look from the door.")
    for hazard in card["hazards"]:
        assert f"{hazard['signal_word']} ({hazard['to']})" in flat
    for number, step in enumerate(card["response"], start=1):
        assert f"{number}. {step}" in flat
    assert flat.endswith(card["last_line"])
    assert max(len(line) for line in text.splitlines()) <= 80


def test_acknowledge_is_on_record_with_who_and_check_in(
    ask: Callable[..., Any], standing: None
) -> None:
    told = ask("acknowledge", "disk-full", "--comment", "on my way", "--check-in-minutes", "20")
    assert told["state"] == "acknowledged"
    assert told["acknowledged_by"] == getpass.getuser()
    shown = ask("show", "disk-full")
    assert shown["state"] == "acknowledged"
    assert shown["check_in_at"] is not None


def test_the_name_on_record_can_be_given(ask: Callable[..., Any], standing: None) -> None:
    assert ask("acknowledge", "disk-full", "--who", "stand-in")["acknowledged_by"] == "stand-in"


def test_shelving_and_service_go_there_and_back(running: Running, call: Call) -> None:
    place, _ = running

    def said(*words: str) -> str:
        result = call("alarms", *words, "--config", place.config)
        assert result.exit_code == 0, result.exception
        return result.output

    title = "Sump above its drain-back (sump-high) is now normal"
    assert said("shelve", "sump-high", "--minutes", "30").startswith(f"{title}, shelved until 20")
    table = call("alarms", "--config", place.config).output
    assert "shelved" in table
    assert said("unshelve", "sump-high") == f"{title}.\n"
    assert said("remove-from-service", "sump-high", "--comment", "calibration") == (
        f"{title}, out of service.\n"
    )
    assert said("return-to-service", "sump-high") == f"{title}.\n"


@pytest.mark.parametrize(
    ("words", "error", "told"),
    [
        (["acknowledge", "sump-high"], IllegalCommand, "sump-high"),
        (["reset", "sump-high"], IllegalCommand, "sump-high"),
        (["unshelve", "sump-high"], IllegalCommand, "sump-high"),
        (["shelve", "sump-high", "--minutes", "721"], IllegalCommand, "at most 720"),
        (["remove-from-service", "sump-high"], IllegalCommand, "comment"),
        (["remove-from-service", "floor-leak", "--comment", "x"], IllegalCommand, "floor-leak"),
        (["acknowledge", "nobody"], UnknownRule, "nobody"),
        (["show", "nobody"], UnknownRule, "weirwatch alarms --all lists them."),
        (["show", "sump-hihg"], UnknownRule, 'Did you mean "sump-high"?'),
        (["explain", "sump-hihg"], UnknownRule, 'Did you mean "sump-high"?'),
        (["shelve", "sump-hihg"], UnknownRule, 'Did you mean "sump-high"?'),
        (["shelve", "sump-high", "--minutes", "-3"], ConfigError, "--minutes -3: give more than 0"),
        (["check-in", "sump-high", "--check-in-minutes", "0"], ConfigError, "give more than 0"),
    ],
)
def test_what_is_not_allowed_changes_nothing_and_says_why(
    running: Running,
    call: Call,
    ask: Callable[..., Any],
    words: list[str],
    error: type[Exception],
    told: str,
) -> None:
    place, _ = running
    before = ask()["items"]
    result = call("alarms", *words, "--config", place.config)
    assert isinstance(result.exception, error)
    assert told in str(result.exception)
    assert ask()["items"] == before


def test_without_a_service_reading_works_and_commands_say_how_to_start_it(
    call: Call, recorded: Place
) -> None:
    listed = call("alarms", "--config", recorded.config)
    assert listed.output == "All 10 alarms are normal.  (--all lists them)\n"
    told = call("alarms", "acknowledge", "sump-high", "--config", recorded.config)
    assert isinstance(told.exception, TransientError)
    assert "start it with: weirwatch serve" in str(told.exception)


def test_another_data_folder_can_be_named(call: Call, recorded: Place) -> None:
    other = recorded.folder / "elsewhere"
    recorded.data.rename(other)
    assert call("alarms", "--config", recorded.config).exit_code == 1
    assert call("alarms", "--config", recorded.config, "--data", other).exit_code == 0
    assert call("alarms", "--config", recorded.config, "--data", other, "list").exit_code == 0


def test_a_check_in_renews_the_promise_of_whoever_attends(
    ask: Callable[..., Any], standing: None
) -> None:
    first = ask("acknowledge", "disk-full", "--check-in-minutes", "20")
    later = ask("check-in", "disk-full", "--check-in-minutes", "40", "--comment", "clearing it")
    assert later["state"] == "acknowledged"
    assert later["check_in_at"] > first["check_in_at"]
    assert ask("check-in", "disk-full")["check_in_at"] is None


def test_it_shows_where_the_failed_device_is(call: Call, recorded: Place) -> None:
    device = (
        '[[device]]\nid = "pump"\ntitle = "Return pump"\nrules = ["sump-high"]\nbreaker = "no. 4"\n'
    )
    recorded.config.write_text(recorded.config.read_text() + device)
    shown = call("alarms", "show", "sump-high", "--config", recorded.config).output
    assert "Return pump – breaker: no. 4." in shown
    assert (
        "Where it is"
        not in call("alarms", "show", "floor-leak", "--config", recorded.config).output
    )
