"""`weirwatch token`, with the service running and stopped; and what it opens."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from typing import Any

import pytest
from support.cli_types import Call, Place, Run
from typer.testing import Result

from weirwatch.app import Core, build_core
from weirwatch.clock import SystemClock
from weirwatch.config import Overrides, load
from weirwatch.control.client import ControlClient
from weirwatch.domain.errors import ConfigError
from weirwatch.ports import Command
from weirwatch.store.access import SqliteBook

Parsed = Callable[[Result], Any]


def test_a_token_is_made_listed_and_revoked_without_a_service(
    call: Call, place: Place, parsed: Parsed
) -> None:
    add = ("token", "add", "tablet", "--role", "operate", "--days", "30")
    made = parsed(call(*add, "--config", place.config, "--json"))
    assert made["text"].startswith(f"ww_{made['id']}_")
    assert made["expires"] > made["created"]
    listed = call("token", "list", "--config", place.config)
    assert f"{made['id']}  tablet: operate, usable, never used" in listed.output
    assert made["text"] not in listed.output
    again = call(*add, "--config", place.config)
    assert isinstance(again.exception, ConfigError)
    assert "already: revoke it first" in str(again.exception)
    assert "is revoked" in call("token", "revoke", "tablet", "--config", place.config).output
    gone = call("token", "revoke", "tablet", "--config", place.config)
    assert "no token in use" in str(gone.exception)
    assert "tablet: operate, revoked" in call("token", "list", "--config", place.config).output


def test_a_running_service_makes_it_and_puts_it_on_the_audit(
    call: Call, running: tuple[Place, Core], parsed: Parsed
) -> None:
    place, core = running
    made = parsed(
        call("token", "add", "owner", "--role", "admin", "--config", place.config, "--json")
    )
    try:
        text = call("token", "list", "--config", place.config).output
        assert "owner: admin, usable" in text
    finally:
        call("token", "revoke", made["id"], "--config", place.config)
    with closing(SqliteBook(place.data / "weirwatch.sqlite3")) as book:
        deeds = [deed for _, deed in book.deeds(None, 2)]
    assert [(d.action, d.subject, d.remote) for d in deeds] == [
        ("token-revoked", "owner", "command line"),
        ("token-added", "owner", "command line"),
    ]
    assert core.register.tokens()[-1].revoked is not None


def test_commands_are_audited_done_or_not(running: tuple[Place, Core]) -> None:
    place, _ = running
    client = ControlClient(place.data / "control.sock")
    with pytest.raises(Exception, match="sump-high"):
        client.command(Command("acknowledge", "sump-high", "keeper", remote="192.0.2.7"))
    client.command(Command("shelve", "floor-leak", "keeper", "", 5.0))
    with closing(SqliteBook(place.data / "weirwatch.sqlite3")) as book:
        done, refused = (deed for _, deed in book.deeds(None, 2))
    assert (done.action, done.subject, done.outcome) == ("shelve", "floor-leak", "done")
    assert done.remote == "control socket"
    assert (refused.who, refused.remote, refused.action) == ("keeper", "192.0.2.7", "acknowledge")
    assert refused.outcome != "done"


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("x", "--role", "boss"), "role 'boss': write one of view, operate, admin"),
        (("x\ny",), "token name"),
        (("",), "token name"),
        (("x", "--days", "0"), "more than 0"),
        (("x", "--days", "nan"), "more than 0"),
    ],
)
def test_wrong_use_is_one_sentence(
    call: Call, place: Place, words: tuple[str, ...], sentence: str
) -> None:
    result = call("token", "add", *words, "--config", place.config)
    assert isinstance(result.exception, ConfigError)
    assert sentence in str(result.exception)


def test_without_a_token_the_service_refuses_to_listen_to_others(place: Place, call: Call) -> None:
    overrides = Overrides(data_dir=place.data, web_listen="0.0.0.0:0")
    settings = load(place.config, overrides)
    with pytest.raises(ConfigError, match="nobody has a token yet: make one first"):
        build_core(settings, SystemClock(), ["true"])
    assert call("token", "add", "owner", "--config", place.config).exit_code == 0
    core = build_core(settings, SystemClock(), ["true"])
    core.stop()


def test_no_secret_stands_in_the_file(call: Call, place: Place, parsed: Parsed) -> None:
    made = parsed(call("token", "add", "tablet", "--config", place.config, "--json"))
    secret = made["text"].partition(f"{made['id']}_")[2]
    with closing(sqlite3.connect(place.data / "weirwatch.sqlite3")) as connection:
        assert secret not in "\n".join(connection.iterdump())


def test_the_real_command_says_it_once(run: Run, place: Place) -> None:
    made = run("token", "add", "tablet", "--config", place.config)
    assert made.returncode == 0
    assert made.stdout.splitlines()[-1].startswith("ww_")
    wrong = run("token", "add", "tablet", "--config", place.config)
    assert wrong.returncode == 2
    assert len(wrong.stderr.splitlines()) == 1
