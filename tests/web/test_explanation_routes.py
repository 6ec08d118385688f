"""Explanations over HTTP: as documented, for every rule, and a refusal for none."""

import httpx
from support.web_harbour import HIGH, LEVEL, NO_FLOW, OFFLINE, WET

from weirwatch.web import explanation_schemas


def test_every_alarm_can_be_explained(api: httpx.Client) -> None:
    for rule in (HIGH, NO_FLOW, OFFLINE, WET):
        answer = api.get(f"alarms/{rule.id}/explanation")
        assert answer.status_code == 200, answer.text
        explanation_schemas.Explanation.model_validate_json(answer.content)
    found = api.get(f"alarms/{HIGH.id}/explanation").json()
    assert found["channel"] == LEVEL.id
    assert found["why"][0] == "The alarm stands, and nobody has acknowledged it."
    assert len(found["readings"]) == len(found["events"]) == 5


def test_an_unknown_rule_is_refused_and_an_id_with_slashes_is_none(api: httpx.Client) -> None:
    assert api.get("alarms/nonsense/explanation").status_code == 404
    assert api.get(f"alarms/{NO_FLOW.id}").json()["id"] == NO_FLOW.id
    wrong = api.post(f"alarms/{HIGH.id}/explanation")
    assert (wrong.status_code, wrong.headers["allow"]) == (405, "GET")
