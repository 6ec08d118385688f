"""Planned work over HTTP."""

import httpx
import pytest
from support.web_harbour import NO_FLOW, FakeCore

from weirwatch.web import planned_work_schemas

pytestmark = pytest.mark.usefixtures("fresh_world")


def test_started_listed_and_ended(api: httpx.Client) -> None:
    (idle,) = api.get("planned-work").json()["items"]
    assert (idle["id"], idle["state"], idle["minutes"]) == ("feeding-pause", "idle", 10)
    body = {"id": "feeding-pause", "minutes": 5, "comment": "mysis"}
    answer = api.post("planned-work", json=body, headers={"operator": "keeper"})
    assert answer.status_code == 200, answer.text
    started = planned_work_schemas.PlannedWork.model_validate_json(answer.content)
    assert (started.state, started.who, started.comment) == ("under-way", "keeper", "mysis")
    assert (started.shelved, started.ends_at) == ([NO_FLOW.id], "2026-05-01T12:05:00Z")
    listed = planned_work_schemas.PlannedWorks.model_validate_json(api.get("planned-work").content)
    assert listed.items == [started]
    ended = api.post("planned-work/feeding-pause/end", headers={"operator": "keeper"})
    assert ended.json()["state"] == "settling"


@pytest.mark.parametrize(
    ("path", "body", "status", "told"),
    [
        ("planned-work", {"id": "paus"}, 404, "unknown-work"),
        ("planned-work", {"id": "feeding-pause", "minutes": 800}, 409, "illegal-command"),
        ("planned-work", {"id": "feeding-pause", "minutes": 0}, 400, "invalid-request"),
        ("planned-work", {"id": "feeding-pause", "minutes": "5"}, 400, "invalid-request"),
        ("planned-work", {"minutes": 5}, 400, "invalid-request"),
        ("planned-work/feeding-pause/end", {}, 409, "illegal-command"),
        ("planned-work/paus/end", {}, 404, "unknown-work"),
    ],
)
def test_what_cannot_be_is_refused(
    api: httpx.Client, path: str, body: dict[str, object], status: int, told: str
) -> None:
    answer = api.post(path, json=body)
    assert answer.status_code == status
    assert answer.json()["type"] == f"urn:weirwatch:problem:{told}"


def test_without_a_core_it_does_not_answer(api: httpx.Client, core: FakeCore) -> None:
    core.gone = True
    assert api.get("planned-work").status_code == 503
