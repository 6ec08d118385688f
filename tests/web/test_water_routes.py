"""The water and probe reports over HTTP, field for field as the OpenAPI document says."""

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from support.web_world import World, made_world

from weirwatch.web.water_schemas import ProbeReport, UpkeepReport, WaterReport


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    with made_world(tmp_path) as made:
        yield made


def test_both_reports_are_as_described(world: World) -> None:
    with httpx.Client(base_url=f"http://127.0.0.1:{world.port}/api/v1") as http:
        for day, value in enumerate((8.4, 8.1, 7.8, 7.5, 7.2)):
            body = {
                "kind": "test",
                "subject": "alkalinity",
                "value": value,
                "unit": "dKH",
                "time": f"2026-04-2{day}T12:00:00Z",
            }
            assert http.post("/log", json=body).status_code == 200
        report = http.get("/reports/water").json()
        WaterReport.model_validate(report)
        assert report["budgets"][0]["consumption"] == pytest.approx(0.3)
        (moving,) = report["moving"]
        assert (moving["what"], moving["limit"]) == ("alkalinity (hand tests)", 7.0)
        probes = http.get("/reports/probes").json()
        ProbeReport.model_validate(probes)
        assert {p["channel"] for p in probes["probes"]} >= {"harbour-hall/sump-node/level"}
        upkeep = http.get("/reports/upkeep").json()
        UpkeepReport.model_validate(upkeep)
        assert upkeep["waiting"] == sum(probe["due"] for probe in upkeep["calibrations"])
        assert http.get("/reports/upkeep", params={"from": "x"}).status_code == 400
        assert http.get("/reports/water", params={"days": 3}).status_code == 400


@pytest.mark.parametrize("report", ["water", "probes", "upkeep"])
def test_a_system_that_is_not_there_is_said_not_answered_with_an_empty_report(
    world: World, report: str
) -> None:
    answer = httpx.get(world.url(f"/api/v1/reports/{report}"), params={"system": "harbor-hall"})
    assert answer.status_code == 404
    assert answer.json()["type"] == "urn:weirwatch:problem:unknown-system"
    assert answer.json()["detail"].endswith("there is harbour-hall")
