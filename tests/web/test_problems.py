"""Every error is a problem of RFC 9457, and no garbage is ever a fault of the server."""

from pathlib import Path

import httpx
import pytest
from support.web_harbour import LEVEL, FakeCore, Harbour

from weirwatch.web import problems


@pytest.mark.parametrize(
    "path",
    [
        "/api/v1/nothing",
        "/api/v1/",
        "/api/v1/alarms/",
        "/api/v1/channels/",
        f"/api/v1/channels/{LEVEL.id}",
        "/api/v1/failures/../../etc/passwd",
        "/api/v1/failures/%2e%2e%2f%2e%2e%2fetc%2fpasswd",
        "/api/v1/alarms/%00",
        "/api/v1/alarms/%ff%fe",
        "/api/v1/alarms/" + "x" * 5000,
        "/api/v2/alarms",
        "/api/v1/channels//series",
        "/docs",
        "/redoc",
    ],
)
def test_what_is_not_there_is_a_404(port: int, path: str) -> None:
    answer = httpx.get(f"http://127.0.0.1:{port}{path}")
    assert answer.status_code == 404
    assert answer.headers["content-type"] == "application/problem+json"
    problem = answer.json()
    assert problem["status"] == 404
    assert problem["type"].startswith("urn:weirwatch:problem:")


@pytest.mark.parametrize(
    ("query", "at"),
    [
        ("from=yesterday", "query.from"),
        ("from=2026-05-01", "query.from"),
        ("from=2026-05-01T12:00:00", "query.from"),
        ("from=2026-05-01T12:00:00+02:00", "query.from"),  # a plain + is a space
        ("from=1777636800", "query.from"),
        ("to=2026-13-01T12:00:00Z", "query.to"),
        ("to=2026-05-01T25:00:00Z", "query.to"),
        ("to=", "query.to"),
        ("points=0", "query.points"),
        ("points=5001", "query.points"),
        ("points=1_0", "query.points"),
        ("points=5.0", "query.points"),
        ("points=many", "query.points"),
        ("points=" + "9" * 5000, "query.points"),
        ("form=2026-05-01T12:00:00Z", "query.form"),
    ],
)
def test_a_wrong_query_names_the_place(api: httpx.Client, query: str, at: str) -> None:
    answer = api.get(f"channels/{LEVEL.id}/series?{query}")
    assert answer.status_code == 400
    problem = answer.json()
    assert problem["type"] == "urn:weirwatch:problem:invalid-request"
    assert [part["at"] for part in problem["errors"]] == [at]
    assert at in problem["detail"]


def test_a_time_without_its_zone_says_how_to_write_one(api: httpx.Client) -> None:
    answer = api.get(f"channels/{LEVEL.id}/series?from=2026-05-01T12:00:00")
    assert "2026-05-01T12:00:00Z" in answer.json()["detail"]


@pytest.mark.parametrize(
    ("path", "query"),
    [
        ("alarms", "state=loud"),
        ("alarms", "status=normal"),
        ("events", "cursor=abc"),
        ("events", "limit=1001"),
        ("notices", "cursor=-1"),
        (f"channels/{LEVEL.id}/readings", "limit=0"),
        (f"channels/{LEVEL.id}/readings", "cursor=1.5"),
    ],
)
def test_other_wrong_queries_are_400_as_well(api: httpx.Client, path: str, query: str) -> None:
    assert api.get(f"{path}?{query}").status_code == 400


@pytest.mark.parametrize(
    "query",
    [
        "from=0001-01-01T00:00:00%2B23:59&to=9999-12-31T23:59:59-23:59&points=5000",
        "from=2016-12-31T23:59:60Z&to=2017-01-01T00:00:00Z",
        "from=2026-05-01T12:00:00.123456789Z",
        "from=2026-05-02T00:00:00Z&to=2026-05-01T00:00:00Z",
    ],
)
def test_any_time_that_can_be_written_is_taken(api: httpx.Client, query: str) -> None:
    for path in (f"channels/{LEVEL.id}/series", f"channels/{LEVEL.id}/readings"):
        answer = api.get(f"{path}?{query.replace('&points=5000', '')}")
        assert answer.status_code == 200, answer.text
    assert api.get(f"channels/{LEVEL.id}/series?{query}").status_code == 200


@pytest.mark.usefixtures("fresh_world")
def test_a_fault_of_our_own_shows_no_traceback(
    api: httpx.Client, core: FakeCore, caplog: pytest.LogCaptureFixture
) -> None:
    core.failing = ZeroDivisionError("a secret of the inside")
    answer = api.get("health")
    assert answer.status_code == 500
    assert answer.json()["type"] == "urn:weirwatch:problem:failed"
    assert "secret" not in answer.text
    assert "web.failed" in caplog.text


@pytest.mark.usefixtures("fresh_world")
def test_a_file_that_is_gone_is_not_answering(api: httpx.Client, harbour: Harbour) -> None:
    harbour.archive.close()
    assert api.get("alarms").status_code == 500
    assert api.get("alive").status_code == 200


def test_codes_are_unique_and_statuses_are_errors() -> None:
    codes = [kind.code for kind in problems.KINDS]
    assert len(codes) == len(set(codes))
    assert all(400 <= kind.status < 600 for kind in problems.KINDS)
    named = {value for value in vars(problems).values() if isinstance(value, problems.Kind)}
    assert named == set(problems.KINDS)


def test_every_problem_is_documented() -> None:
    text = (Path(__file__).parents[2] / "docs" / "api.md").read_text(encoding="utf-8")
    missing = [kind.code for kind in problems.KINDS if f"`{kind.code}`" not in text]
    assert missing == []
