"""What lies in deploy/: each file is loaded or judged by the tool that it is for."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml
from compose_pydantic import ComposeSpecification
from support.need import need

from weirwatch.cli.main import build_app

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
RUNBOOK = (ROOT / "docs" / "runbook.md").read_text(encoding="utf-8")
UNIT = (DEPLOY / "weirwatch.service").read_text(encoding="utf-8")
MOST_EXPOSED = 3.0  # of 10, by systemd-analyze; an ordinary unit has 9.6


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit with a program that exists here."""
    path = tmp_path / "weirwatch.service"
    path.write_text(
        re.sub(r"^ExecStart=\S+", f"ExecStart={shutil.which('true')}", UNIT, flags=re.M)
    )
    return path


def test_the_unit_is_understood_by_systemd(unit: Path) -> None:
    run = subprocess.run(
        [need("systemd-analyze"), "verify", "--man=no", str(unit)],
        capture_output=True,
        text=True,
        timeout=300,
        env={**os.environ, "SYSTEMD_LOG_LEVEL": "warning"},
    )
    ours = [line for line in run.stderr.splitlines() if "weirwatch.service" in line]
    assert ours == []


def test_the_unit_is_hardened(unit: Path) -> None:
    run = subprocess.run(
        [need("systemd-analyze"), "security", "--offline=true", "--no-pager", str(unit)],
        capture_output=True,
        text=True,
        timeout=300,
    )
    found = re.search(r"Overall exposure level for \S+: ([0-9.]+)", run.stdout)
    assert found is not None, run.stdout + run.stderr
    assert float(found[1]) <= MOST_EXPOSED


@pytest.fixture
def compose() -> Any:
    return yaml.safe_load((DEPLOY / "compose.yaml").read_text(encoding="utf-8"))


def test_compose_s_own_schema_knows_every_word(compose: Any) -> None:
    """By compose-pydantic, which is made from the JSON schema of the Compose Specification."""
    found = ComposeSpecification.model_validate(compose)
    assert {"mosquitto", "weirwatch", "influxdb", "farwatch"} == set(found.services or ())


def test_a_linter_of_container_security_finds_nothing_grave() -> None:
    """compose-lint, after OWASP's and CIS's advice; limits of memory are the operator's."""
    run = subprocess.run(
        [sys.executable, "-m", "compose_lint", "--fail-on", "high", str(DEPLOY / "compose.yaml")],
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert run.returncode == 0, run.stdout
    assert "PASS" in run.stdout


def test_no_container_is_root_or_can_write_where_it_likes(compose: Any) -> None:
    for name, service in compose["services"].items():
        assert service["read_only"] is True, name
        assert service["cap_drop"] == ["ALL"], name
        assert service["security_opt"] == ["no-new-privileges:true"], name
        assert service["restart"] == "unless-stopped", name
        for mount in service["volumes"]:
            source = mount.split(":")[0]
            assert mount.endswith(":ro") or source in (*compose["volumes"], "./broker"), mount
    open_ports = {name: s["ports"] for name, s in compose["services"].items() if "ports" in s}
    assert open_ports == {
        "mosquitto": ["${WEIRWATCH_MQTT_PORT:-8883}:8883"],
        "weirwatch": ["127.0.0.1:${WEIRWATCH_PORT:-8080}:8080"],
    }


def test_what_the_broker_s_file_names_is_mounted(compose: Any) -> None:
    text = (DEPLOY / "mosquitto.conf").read_text(encoding="utf-8")
    places = [mount.split(":")[1] for mount in compose["services"]["mosquitto"]["volumes"]]
    for path in re.findall(r"^\w+ (/\S+)$", text, re.M):
        assert any(path.startswith(place) for place in places), path


def test_the_container_is_what_compose_expects(compose: Any) -> None:
    text = (DEPLOY / "Containerfile").read_text(encoding="utf-8")
    joined = text.replace("\\\n", " ")
    instructions = re.findall(r"^([A-Z]+) (.+)$", joined, re.M)
    known = {
        "ARG", "FROM", "WORKDIR", "COPY", "RUN", "ENV", "USER", "VOLUME", "EXPOSE", "STOPSIGNAL",
        "HEALTHCHECK", "ENTRYPOINT", "CMD",
    }  # fmt: skip
    assert {name for name, _ in instructions} <= known
    names = [name for name, _ in instructions]
    assert names.index("USER") < names.index("ENTRYPOINT")
    assert ("USER", "10001") in instructions
    for name, words in instructions:
        if name == "COPY" and "--from" not in words:
            for source in words.split()[:-1]:
                assert (ROOT / source).exists(), source
    sources = {word for name, words in instructions if name == "COPY" for word in words.split()}
    kept = (ROOT / ".dockerignore").read_text(encoding="utf-8")
    for source in ("pyproject.toml", "README.md", "LICENSE", "services", "simulator", "deploy"):
        assert source in sources, source
        assert f"\n!{source}\n" in kept, source
    build = compose["services"]["weirwatch"]["build"]
    known_arguments = {words.partition("=")[0] for name, words in instructions if name == "ARG"}
    assert {word.partition("=")[0] for word in build["args"]} <= known_arguments
    assert not any("PIP" in words for name, words in instructions if name == "ENV")
    user = compose["services"]["mosquitto"]["user"]
    assert user == "10001:10001"
    assert compose["services"]["weirwatch"]["build"]["dockerfile"] == "deploy/Containerfile"


def test_the_health_check_asks_what_is_public() -> None:
    from weirwatch.web.rights import PUBLIC

    text = (DEPLOY / "Containerfile").read_text(encoding="utf-8")
    asked = re.findall(r"http://127\.0\.0\.1:8080(/\S+?)'", text)
    assert asked
    assert set(asked) <= PUBLIC


def test_the_runbook_knows_every_file_and_no_other() -> None:
    named = set(re.findall(r"deploy/([\w.-]+)", RUNBOOK))
    assert {"weirwatch.service", "mosquitto.conf", "compose.yaml"} <= named
    for name in named:
        assert (DEPLOY / name).exists(), name


def test_every_command_of_the_runbook_exists() -> None:
    from typer.main import get_command

    command: Any = get_command(build_app())
    found = re.findall(r"(?:^ *|`|--rm )weirwatch ([a-z]+)(?: ([a-z]+)\b)?", RUNBOOK, re.M)
    tried = 0
    for first, second in found:
        assert first in command.commands, first
        below = getattr(command.commands[first], "commands", {})
        if below:
            assert second in below, (first, second)
        tried += 1
    assert tried >= 8
