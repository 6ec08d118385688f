"""`weirwatch notice`: the newest notices, and a test that says what arrived."""

import json

from support.cli_types import Call, Place
from support.receivers import http_receiver
from support.stored import T0

from weirwatch.app import Core
from weirwatch.config import load
from weirwatch.ports import Group, Notice
from weirwatch.store.sqlite_journal import open_journal


def recorded_notices(place: Place, count: int) -> None:
    settings = load(place.config)
    place.data.mkdir()
    journal, _ = open_journal(place.data, "20260501T120000Z")
    journal.adopt(settings.channels, settings.rules)
    notices = [
        Notice(f"{n}-log", n, "log", T0 + n, f"HIGH: number {n}\nmore", {}) for n in range(1, count)
    ]
    dead = Notice(
        "0-log", 0, "log", T0, "HIGH: dead\n", {}, state="given-up", last_error="answered 404"
    )
    journal.commit(Group(notices=[*notices, dead], committed_at=T0))
    journal.close()


def test_the_newest(call: Call, place: Place) -> None:
    recorded_notices(place, 1203)
    result = call("notice", "list", "--last", "3", "--json", "--config", place.config)
    assert [item["id"] for item in json.loads(result.stdout)["items"]] == [
        "1201-log",
        "1202-log",
        "0-log",
    ]
    shown = call("notice", "list", "--last", "2", "--config", place.config).stdout
    assert "HIGH: number 1202" in shown
    assert "more" not in shown
    assert "given up" in shown


def test_none_yet(call: Call, place: Place) -> None:
    recorded_notices(place, 1)
    assert call("notice", "list", "--config", place.config).exit_code == 0


def test_a_test_that_arrives(call: Call, place: Place) -> None:
    result = call("notice", "test", "--config", place.config)
    assert (result.exit_code, result.stdout) == (0, "log: taken\n")
    (line,) = (place.folder / "notices.jsonl").read_text().splitlines()
    assert json.loads(line)["text"].startswith("TEST, nothing is wrong: ")


def test_one_that_does_not_is_code_1(call: Call, place: Place) -> None:
    with http_receiver() as receiver:
        hook = f'[[recipient]]\nid = "hook"\nkind = "webhook"\nurl = "{receiver.url}"\n'
        place.config.write_text(hook + place.config.read_text())
        receiver.answers = [(404, {}), (204, {})]
        refused = call("notice", "test", "--json", "--config", place.config)
        assert refused.exit_code == 1
        items = json.loads(refused.stdout)["items"]
        assert [(item["recipient"], item["taken"]) for item in items] == [
            ("hook", False),
            ("log", True),
        ]
        assert "answered 404" in items[0]["error"]
        assert call("notice", "test", "hook", "--config", place.config).exit_code == 0
        event = json.loads(receiver.posted[-1].body)
        assert event["type"] == "org.weirwatch.notice.test"
        assert event["subject"] == "test"


def test_nobody_of_that_name(call: Call, place: Place) -> None:
    result = call("notice", "test", "lgo", "--config", place.config)
    assert result.exception is not None
    assert 'Did you mean "log"?' in str(result.exception)


def test_through_the_running_service_and_on_record(call: Call, running: tuple[Place, Core]) -> None:
    place, core = running
    before = core.outbox.delivered
    options = ("--config", place.config, "--data", place.data)
    result = call("notice", "test", *options)
    assert (result.exit_code, result.stdout) == (0, "log: taken\n")
    assert core.outbox.delivered > before
    last = json.loads(call("notice", "list", "--last", "1", "--json", *options).stdout)["items"][0]
    assert (last["state"], last["text"][:4]) == ("delivered", "TEST")
    assert core.health.as_json()["notice_test"]["untested"] == []
    report = call("report", "alarms", *options).stdout
    assert "Last full test of notices: never" not in report
    assert "Last full test of notices: " in report


def test_straight_out_is_on_record_too(call: Call, place: Place) -> None:
    assert call("notice", "test", "--config", place.config).exit_code == 0
    listed = call("notice", "list", "--json", "--config", place.config)
    assert [item["state"] for item in json.loads(listed.stdout)["items"]] == ["delivered"]


def test_only_of_one_state(call: Call, place: Place) -> None:
    recorded_notices(place, 3)
    options = ("--json", "--config", place.config)
    dead = json.loads(call("notice", "list", "--state", "given-up", *options).stdout)["items"]
    assert [item["id"] for item in dead] == ["0-log"]
    wrong = call("notice", "list", "--state", "givenup", *options)
    assert 'Did you mean "given-up"?' in str(wrong.exception)


def test_the_morning_line(call: Call, place: Place) -> None:
    recorded_notices(place, 2)
    shown = call("notice", "morning", "--config", place.config)
    assert shown.exit_code == 1  # nothing was heard for long
    assert shown.stdout.startswith("Morning, Harbour Hall: ")
    facts = json.loads(call("notice", "morning", "--json", "--config", place.config).stdout)
    assert facts["all_well"] is False
    assert "Sump level (never heard)" in facts["silent"]
