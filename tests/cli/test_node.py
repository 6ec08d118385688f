"""`weirwatch node` and `weirwatch doctor` on the command line."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.cli_types import Call, Place
from support.control_client import until
from typer.testing import Result

from weirwatch.app import Core
from weirwatch.domain.errors import ConfigError

Parsed = Callable[[Result], Any]
SUMP = "harbour-hall/sump-node"


def test_a_login_comes_with_a_snippet_and_can_be_revoked(call: Call, place: Place) -> None:
    made = call("node", "add", SUMP, "--config", place.config)
    assert made.exit_code == 0
    folder = place.data / "mosquitto"
    for part in (f"weirwatch/{SUMP}/readings", "last will", "8883", f"{folder}/acl"):
        assert part in made.output
    assert call("node", "list", "--config", place.config).output.strip() == SUMP
    assert "has no login any more" in call("node", "revoke", SUMP, "--config", place.config).output
    assert "No node has a login" in call("node", "list", "--config", place.config).output


def test_a_node_may_publish_on_the_topics_of_its_taps(call: Call, place: Place) -> None:
    tap = '\n[[tap]]\ntopic = "plain/sump/level"\nchannel = "harbour-hall/sump-node/level"\n'
    place.config.write_text(place.config.read_text() + tap)
    made = call("node", "add", SUMP, "--config", place.config)
    assert "tap        plain/sump/level\n" in made.output
    rights = (place.data / "mosquitto" / "acl").read_text().partition(f"user {SUMP}\n")[2]
    assert rights.split("\n\n")[0].splitlines() == [
        f"topic write weirwatch/{SUMP}/readings",
        f"topic write weirwatch/{SUMP}/connection",
        "topic write plain/sump/level",
    ]


def test_a_listener_reads_and_publishes_nothing(call: Call, place: Place, parsed: Parsed) -> None:
    made = call("node", "add", "farwatch", "--listens", "--config", place.config)
    assert made.exit_code == 0
    for part in ('username = "farwatch"', "reads weirwatch/#", "publishes nothing", "kill -HUP"):
        assert part in made.output
    rights = (place.data / "mosquitto" / "acl").read_text().partition("user farwatch\n")[2]
    assert rights.splitlines()[0] == "topic read weirwatch/#"
    assert "write" not in rights.partition("user")[0]
    again = call("node", "add", "farwatch", "--listens", "--config", place.config)
    assert "'farwatch' has a login already" in str(again.exception)
    call("node", "add", SUMP, "--config", place.config)
    listed = call("node", "list", "--config", place.config)
    assert listed.output.splitlines() == [SUMP, "farwatch (listens only)"]
    told = parsed(call("node", "list", "--config", place.config, "--json"))
    assert told["items"] == [SUMP, "farwatch"]
    assert call("node", "revoke", "farwatch", "--config", place.config).exit_code == 0
    assert "farwatch" not in (place.data / "mosquitto" / "acl").read_text()


@pytest.mark.parametrize("name", ["weirwatch", "a/b", "Far", "", "x\ny", "a" * 33, "#"])
def test_a_listener_has_a_plain_name(call: Call, place: Place, name: str) -> None:
    result = call("node", "add", name, "--listens", "--config", place.config)
    assert isinstance(result.exception, ConfigError)
    assert "small letters" in str(result.exception)
    assert not (place.data / "mosquitto").exists()


def test_a_folder_of_ones_own_and_json(
    call: Call, place: Place, parsed: Parsed, tmp_path: Path
) -> None:
    words = ("--config", place.config, "--folder", tmp_path / "x", "--json")
    made = parsed(call("node", "add", SUMP, *words))
    assert (made["username"], made["topic"]) == (SUMP, f"weirwatch/{SUMP}")
    assert parsed(call("node", "list", *words))["items"] == [SUMP]


def test_a_folder_is_shown_whole_since_it_is_pasted_into_other_files(
    call: Call, place: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    made = call("node", "add", SUMP, "--config", place.config, "--folder", "x")
    assert f"password_file {tmp_path}/x/passwords" in made.output


def test_the_login_file_that_the_configuration_names_may_not_exist_yet(
    call: Call, place: Place, tmp_path: Path
) -> None:
    folder = tmp_path / "x"
    text = place.config.read_text()
    named = tmp_path / "named.toml"
    line = f'credentials_file = "{folder}/service-login.toml"\n'
    assert "[broker]\n" in text
    named.write_text(text.replace("[broker]\n", f"[broker]\n{line}"))
    assert isinstance(call("status", "--config", named).exception, ConfigError)
    assert call("node", "add", SUMP, "--config", named, "--folder", folder).exit_code == 0
    assert call("check", named).exit_code == 0


@pytest.mark.parametrize("name", ["harbour-hall/no-node", "sump-node", "a:b", "x\ny", ""])
def test_an_unknown_node_is_refused(call: Call, place: Place, name: str) -> None:
    result = call("node", "add", name, "--config", place.config)
    assert isinstance(result.exception, ConfigError)
    assert "known are harbour-hall/power-node, harbour-hall/sump-node" in str(result.exception)
    assert not (place.data / "mosquitto").exists()


def test_the_doctor_of_a_running_service(
    call: Call, running: tuple[Place, Core], parsed: Parsed
) -> None:
    place, core = running
    until(lambda: core.health.as_json()["broker"]["connected"])
    result = call("doctor", "--config", place.config, "--json")
    document = parsed(result)
    assert document["not_seen"] == []
    assert document["findings"] == []
    assert result.exit_code == 0
    topic = f"weirwatch/{SUMP}/readings"
    core.transport.publish(topic, b"[]", retain=True)

    def seen() -> bool:
        told = parsed(call("doctor", "--config", place.config, "--json"))["findings"]
        return [(f["code"], f["about"]) for f in told] == [("retained-junk", topic)]

    until(seen)
    text = call("doctor", "--config", place.config)
    assert text.exit_code == 1
    assert "Cure: publish without retain" in text.output


def test_the_doctor_says_what_it_could_not_look_at(
    call: Call, place: Place, tmp_path: Path
) -> None:
    conf = tmp_path / "mosquitto.conf"
    (tmp_path / "more").mkdir()
    (tmp_path / "more" / "a.conf").write_text("persistence true\n")
    conf.write_text(f"include_dir {tmp_path}/more\n")
    result = call("doctor", "--config", place.config, "--broker-conf", conf)
    assert result.exit_code == 1
    assert "queue-limit" in result.output
    assert "no-persistence" not in result.output
    assert result.output.count("Not looked at") == 2
