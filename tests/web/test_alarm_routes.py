"""An operator's commands over HTTP: who, what, and every refusal."""

from typing import Any

import httpx
import pytest
from support.web_harbour import HIGH, NO_FLOW, OFFLINE, FakeCore

from weirwatch.domain.errors import PermanentError, TransientError
from weirwatch.ports import Command
from weirwatch.web import schemas
from weirwatch.web.parameters import operator_name

ACKNOWLEDGE = f"alarms/{HIGH.id}/acknowledge"


def from_here(
    name: str,
    rule: str,
    who: str,
    comment: str = "",
    minutes: float | None = None,
    check_in_minutes: float | None = None,
) -> Command:
    return Command(name, rule, who, comment, minutes, check_in_minutes, remote="127.0.0.1")


def test_alarms_can_be_asked_for_by_state(api: httpx.Client) -> None:
    found = api.get("alarms", params={"state": "unacknowledged"}).json()["items"]
    assert [alarm["id"] for alarm in found] == [HIGH.id]
    several = api.get("alarms", params={"state": ["normal", "unacknowledged"]}).json()["items"]
    assert len(several) == 5


@pytest.mark.parametrize("rule", [HIGH.id, NO_FLOW.id, OFFLINE.id])
def test_an_id_may_contain_slashes(api: httpx.Client, rule: str) -> None:
    assert api.get(f"alarms/{rule}").json()["id"] == rule
    assert api.get(f"alarms/{rule.replace('/', '%2F')}").json()["id"] == rule


def test_acknowledge_carries_who_and_what(api: httpx.Client, core: FakeCore) -> None:
    body = {"comment": "on my way", "check_in_minutes": 20}
    answer = api.post(ACKNOWLEDGE, json=body, headers={"operator": "keeper"})
    assert answer.status_code == 200
    schemas.Alarm.model_validate_json(answer.content)
    assert core.commands == [from_here("acknowledge", HIGH.id, "keeper", "on my way", None, 20.0)]


@pytest.mark.parametrize(
    ("path", "body", "command"),
    [
        ("shelve", {"minutes": 30}, from_here("shelve", NO_FLOW.id, "k", "", 30.0)),
        ("shelve", {"minutes": None, "comment": "x"}, from_here("shelve", NO_FLOW.id, "k", "x")),
        ("unshelve", {}, from_here("unshelve", NO_FLOW.id, "k")),
        (
            "check-in",
            {"check_in_minutes": 30, "comment": "the pump hums"},
            from_here("check-in", NO_FLOW.id, "k", "the pump hums", None, 30.0),
        ),
        (
            "remove-from-service",
            {"comment": "new probe", "minutes": 90.5},
            from_here("remove-from-service", NO_FLOW.id, "k", "new probe", 90.5),
        ),
        ("return-to-service", {}, from_here("return-to-service", NO_FLOW.id, "k")),
        ("reset", {"minutes": None, "check_in_minutes": None}, from_here("reset", NO_FLOW.id, "k")),
    ],
)
def test_each_command_has_its_route(
    api: httpx.Client, core: FakeCore, path: str, body: dict[str, Any], command: Command
) -> None:
    answer = api.post(f"alarms/{NO_FLOW.id}/{path}", json=body, headers={"operator": "k"})
    assert answer.status_code == 200, answer.text
    assert core.commands == [command]


@pytest.mark.parametrize(
    ("header", "who"),
    [
        (None, "anonymous@loopback"),
        (b"", "anonymous@loopback"),
        ("Zoë".encode(), "Zoë"),
        ("Zoë".encode("latin-1"), "Zoë"),
        (b"a\tb", "a\tb"),
    ],
)
def test_who_is_the_operator_header(
    port: int, core: FakeCore, header: bytes | None, who: str
) -> None:
    headers = [] if header is None else [(b"operator", header)]
    answer = httpx.post(f"http://127.0.0.1:{port}/api/v1/{ACKNOWLEDGE}", headers=headers)
    assert answer.status_code == 200
    assert core.commands[0].who == who


def test_an_endless_name_is_refused_and_control_characters_go_nowhere(
    api: httpx.Client, core: FakeCore
) -> None:
    answer = api.post(ACKNOWLEDGE, headers={"operator": "x" * 201})
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["at"] == "header.operator"
    assert operator_name("a\x01\x1b[31mb") == "a  [31mb"
    body = {"comment": "one\r\ntwo\x00\u202ethree"}
    assert api.post(ACKNOWLEDGE, json=body).status_code == 200
    assert core.commands[0].comment == "one \ntwo  three"


def test_a_body_is_not_needed(api: httpx.Client, core: FakeCore) -> None:
    assert api.post(ACKNOWLEDGE).status_code == 200
    assert api.post(ACKNOWLEDGE, json=None).status_code == 200
    assert core.commands == [from_here("acknowledge", HIGH.id, "anonymous@loopback")] * 2


@pytest.mark.parametrize(
    ("body", "at"),
    [
        ({"coment": "x"}, "body.coment"),
        ({"comment": 3}, "body.comment"),
        ({"comment": "x" * 2001}, "body.comment"),
        ({"minutes": 5}, "body.minutes"),
        ({"check_in_minutes": "20"}, "body.check_in_minutes"),
        ({"check_in_minutes": 0}, "body.check_in_minutes"),
        ({"check_in_minutes": -3}, "body.check_in_minutes"),
        ({"check_in_minutes": True}, "body.check_in_minutes"),
        ({"check_in_minutes": 1e9}, "body.check_in_minutes"),
        ([], "body"),
        ("text", "body"),
        (7, "body"),
    ],
)
def test_a_wrong_body_names_the_place_and_changes_nothing(
    api: httpx.Client, core: FakeCore, body: Any, at: str
) -> None:
    answer = api.post(ACKNOWLEDGE, json=body)
    assert answer.status_code == 400
    problem = answer.json()
    assert problem["type"] == "urn:weirwatch:problem:invalid-request"
    assert at in [part["at"] for part in problem["errors"]]
    assert core.commands == []


@pytest.mark.parametrize(
    "content",
    [
        b"{",
        b"\xff\xfe",
        b'{"comment": "\\ud800"}',
        b'{"\\ud800": 1}',
        b'{"check_in_minutes": NaN}',
        b'{"check_in_minutes": 1e999}',
        b'{"check_in_minutes": ' + b"9" * 5000 + b"}",
        b"[" * 20_000,
        b'{"comment": "a", "comment": {}}',
    ],
)
def test_what_is_no_proper_json_is_a_400(api: httpx.Client, core: FakeCore, content: bytes) -> None:
    answer = api.post(ACKNOWLEDGE, content=content, headers={"content-type": "application/json"})
    assert answer.status_code == 400, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["status"] == 400
    assert core.commands == []


def test_an_illegal_command_is_a_conflict(api: httpx.Client, core: FakeCore) -> None:
    answer = api.post(f"alarms/{NO_FLOW.id}/acknowledge", json={})
    assert answer.status_code == 409
    assert answer.json() == {
        "type": "urn:weirwatch:problem:illegal-command",
        "title": "The alarm's state does not allow that command",
        "status": 409,
        "detail": "return/flow-lost: there is nothing to acknowledge",
    }
    assert core.commands == []


def test_an_unknown_rule_is_not_found(api: httpx.Client) -> None:
    for answer in (api.get("alarms/kraken"), api.post("alarms/kraken/reset")):
        assert answer.status_code == 404
        assert answer.json()["type"] == "urn:weirwatch:problem:unknown-rule"


@pytest.mark.parametrize(
    ("error", "status", "code"),
    [
        (TransientError("the disk is full"), 503, "not-answering"),
        (PermanentError("the core failed on this request; its log says more"), 500, "failed"),
    ],
)
def test_trouble_of_the_core_is_told_in_its_own_sentence(
    api: httpx.Client, core: FakeCore, error: Exception, status: int, code: str
) -> None:
    core.failing = error
    answer = api.post(ACKNOWLEDGE)
    assert answer.status_code == status
    assert answer.json()["type"] == f"urn:weirwatch:problem:{code}"
    assert answer.json()["detail"] == str(error)
    assert ("retry-after" in answer.headers) == (status == 503)


@pytest.mark.parametrize(
    ("method", "path", "allow"),
    [
        ("GET", f"alarms/{HIGH.id}/acknowledge", "POST"),
        ("PUT", f"alarms/{HIGH.id}/acknowledge", "POST"),
        ("POST", f"alarms/{HIGH.id}", "GET"),
        ("DELETE", "alarms", "GET"),
        ("POST", "health", "GET"),
        ("TRACE", "events", "GET"),
    ],
)
def test_a_wrong_method_says_which_is_right(
    api: httpx.Client, method: str, path: str, allow: str
) -> None:
    answer = api.request(method, path)
    assert answer.status_code == 405
    assert answer.headers["allow"] == allow
    assert answer.json()["type"] == "urn:weirwatch:problem:method-not-allowed"
