"""The routes that only read answer what the queries say, in exactly the documented shape."""

import httpx
import pytest
from fastapi import FastAPI
from pydantic import BaseModel
from support.web_harbour import FLOW, LEVEL, NOON, SILENT, FakeCore, Harbour

from weirwatch.domain.instant import SECOND, to_rfc3339
from weirwatch.pipeline import queries
from weirwatch.web import parameters, reading_routes, schemas

pytestmark = pytest.mark.usefixtures("fresh_world")

SHAPES: list[tuple[str, type[BaseModel]]] = [
    ("alive", schemas.Alive),
    ("health", schemas.Health),
    ("systems", schemas.Systems),
    ("channels", schemas.Channels),
    (f"channels/{LEVEL.id}/series", schemas.Series),
    (f"channels/{LEVEL.id}/series?weighted=true", schemas.Series),
    (f"series?channel={LEVEL.id}&channel={FLOW.id}", schemas.SeriesOfSeveral),
    (f"channels/{LEVEL.id}/readings", schemas.Readings),
    ("alarms", schemas.Alarms),
    ("alarms/node-offline/hall-node", schemas.Alarm),
    ("events", schemas.Events),
    ("failures", schemas.Failures),
    ("failures/floor-leak", schemas.Failure),
    ("notices", schemas.Notices),
]


@pytest.mark.parametrize(("path", "shape"), SHAPES)
def test_every_answer_has_the_documented_shape(
    api: httpx.Client, path: str, shape: type[BaseModel]
) -> None:
    answer = api.get(path)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/json"
    shape.model_validate_json(answer.content)
    data = answer.json()
    if "items" in shape.model_fields:
        assert data["items"], "an empty list shows no shape"


def test_the_answers_are_those_of_the_queries(api: httpx.Client, harbour: Harbour) -> None:
    now = harbour.clock.utc
    archive, settings = harbour.archive, harbour.settings
    assert api.get("channels").json() == queries.channels_json(archive, settings, now)
    assert api.get("systems").json() == queries.systems_json(archive, settings)
    assert api.get("notices").json() == queries.notices_json(archive)
    assert api.get("events").json() == queries.events_json(archive)
    assert api.get("failures").json() == queries.failures_json(harbour.catalogue)
    assert api.get("alarms").json() == queries.alarms_json(archive, settings, harbour.catalogue)


def test_the_last_day_is_shown_where_no_range_is_asked_for(
    api: httpx.Client, harbour: Harbour
) -> None:
    harbour.add_readings(LEVEL, {NOON - 86_400 * SECOND: 1.0, NOON - 86_401 * SECOND: 2.0})
    found = api.get(f"channels/{LEVEL.id}/readings").json()
    assert (found["from"], found["to"]) == ("2026-04-30T12:00:00Z", "2026-05-01T12:00:00Z")
    assert found["items"][0]["value"] == 1.0
    assert len(found["items"]) == 400
    harbour.clock.utc = NOON + 3600 * SECOND
    assert api.get(f"channels/{LEVEL.id}/series").json()["to"] == "2026-05-01T13:00:00Z"


def test_a_range_may_carry_an_offset_and_lower_case(api: httpx.Client) -> None:
    query = {"from": "2026-05-01t13:30:00+02:00", "to": "2026-05-01T12:00:00.5z"}
    found = api.get(f"channels/{LEVEL.id}/series", params=query).json()
    assert (found["from"], found["to"]) == ("2026-05-01T11:30:00Z", "2026-05-01T12:00:00.500Z")


def test_pages_follow_their_cursor(api: httpx.Client) -> None:
    seen: list[str] = []
    query: dict[str, str | int] = {"limit": 150}
    while True:
        page = api.get(f"channels/{LEVEL.id}/readings", params=query).json()
        seen += [reading["time"] for reading in page["items"]]
        if page["next"] is None:
            break
        query["cursor"] = page["next"]
    assert len(seen) == 399
    assert seen == sorted(set(seen))
    assert seen[-1] == to_rfc3339(NOON - 5 * SECOND)


def test_a_channel_without_readings_is_an_empty_list_an_unknown_one_is_not(
    api: httpx.Client,
) -> None:
    assert api.get(f"channels/{SILENT.id}/series").json()["items"] == []
    problem = api.get("channels/harbour-hall/sump-node/levle/series")
    assert problem.status_code == 404
    assert problem.json()["type"] == "urn:weirwatch:problem:unknown-channel"
    assert "levle" in problem.json()["detail"]


def test_several_channels_at_once_are_told_once_in_their_order_on_one_grid(
    api: httpx.Client,
) -> None:
    asked = [FLOW.id, LEVEL.id, SILENT.id, LEVEL.id]
    found = api.get("series", params={"channel": asked, "points": 24}).json()
    assert [one["channel"] for one in found["items"]] == [FLOW.id, LEVEL.id, SILENT.id]
    for one in found["items"]:
        alone = api.get(f"channels/{one['channel']}/series", params={"points": 24}).json()
        assert one == {name: alone[name] for name in ("channel", "unit", "items")}
        assert (found["from"], found["to"]) == (alone["from"], alone["to"])


@pytest.mark.parametrize(
    ("channels", "more", "status", "told"),
    [
        ([], {}, 400, "query.channel"),
        ([f"harbour-hall/x/{n}" for n in range(51)], {}, 400, "query.channel"),
        ([LEVEL.id, "harbour-hall/sump-node/levle"], {}, 404, "levle"),
        ([LEVEL.id], {"weighted": "yes"}, 400, "write true or false"),
    ],
)
def test_what_cannot_be_asked_of_several_is_told(
    api: httpx.Client, channels: list[str], more: dict[str, str], status: int, told: str
) -> None:
    assert parameters.MOST_CHANNELS == 50
    problem = api.get("series", params={"channel": channels, **more})
    assert problem.status_code == status
    assert told in problem.json()["detail"]


def test_a_weighted_mean_of_too_many_readings_is_refused_with_its_cure(
    api: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = {"channel": [LEVEL.id, FLOW.id], "weighted": "true"}
    monkeypatch.setattr(reading_routes, "MOST_WEIGHTED", 400)
    assert api.get("series", params=asked).is_success
    monkeypatch.setattr(reading_routes, "MOST_WEIGHTED", 399)
    problem = api.get("series", params=asked)
    assert problem.status_code == 400
    assert "400 readings would have to be read" in problem.json()["detail"]
    assert api.get("series", params=asked | {"weighted": "false"}).is_success


def test_health_is_the_cores_word_and_alive_the_webs_own(
    api: httpx.Client, core: FakeCore, app: FastAPI
) -> None:
    assert api.get("health").json() == core.health()
    assert api.get("alive").json() == {"alive": True, "core": True}
    core.hang_up()
    assert api.get("health").status_code == 503
    assert api.get("alive").status_code == 200
