"""The log over HTTP: what goes in comes out, what is refused says why."""

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from support.web_world import World, made_world


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    with made_world(tmp_path) as made:
        yield made


@pytest.fixture
def http(world: World) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=f"http://127.0.0.1:{world.port}/api/v1") as client:
        yield client


def test_what_goes_in_comes_out(http: httpx.Client) -> None:
    body = {"kind": "test", "subject": "alkalinity", "value": 2.9, "unit": "meq/L"}
    answer = http.post("/log", json=body, headers={"operator": "keeper"})
    assert answer.status_code == 200, answer.text
    entry = answer.json()
    assert entry["value"] == pytest.approx(8.1316)
    assert (entry["unit"], entry["given"], entry["who"]) == ("dKH", "2.9 meq/L", "keeper")
    http.post("/log", json={"kind": "note", "text": "cleaned"})
    page = http.get("/log", params={"limit": 1}).json()
    assert page["items"] == [entry]
    assert [
        e["kind"] for e in http.get("/log", params={"cursor": page["next"]}).json()["items"]
    ] == ["note"]
    assert len(http.get("/log", params={"kind": "test"}).json()["items"]) == 1
    assert http.get("/log", params={"to": "2020-01-01T00:00:00Z"}).json()["items"] == []


@pytest.mark.parametrize(
    ("body", "status", "words"),
    [
        ({"kind": "test", "subject": "calcium", "value": 4.2, "unit": "mg/L"}, 409, "sure"),
        ({"kind": "nap"}, 409, "is none of"),
        ({"kind": "note", "text": "x", "when": "now"}, 400, "when"),
        ({"kind": "note", "text": "x", "time": "yesterday"}, 409, "write it as"),
        ({"kind": "test", "subject": "calcium", "value": 1e300, "unit": "mg/L"}, 400, "value"),
    ],
)
def test_what_is_refused_says_why_and_stores_nothing(
    http: httpx.Client, body: dict[str, object], status: int, words: str
) -> None:
    answer = http.post("/log", json=body)
    assert answer.status_code == status
    assert words in answer.text
    assert http.get("/log").json()["items"] == []


def test_an_unknown_kind_is_no_filter(http: httpx.Client) -> None:
    assert http.get("/log", params={"kind": "nap"}).status_code == 400


PNG = (
    b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\0\x01\0\0\0\x01\x08\0\0\0\0:~\x9bU"
    b"\0\0\0\nIDATx\x9cch\0\0\0\x82\0\x81w\xcdr\xb6\0\0\0\0IEND\xaeB`\x82"
)


def test_a_photo_goes_with_its_entry(http: httpx.Client) -> None:
    number = http.post("/log", json={"kind": "note", "text": "anemone"}).json()["number"]
    head = {"Content-Type": "image/png", "operator": "keeper"}
    sent = http.post(f"/log/{number}/photos", content=PNG, headers=head)
    assert sent.status_code == 200, sent.text
    photo = sent.json()
    assert (photo["media_type"], photo["bytes"], photo["who"]) == ("image/png", len(PNG), "keeper")
    assert http.get("/log").json()["items"][0]["photos"] == [photo]
    back = http.get(f"/log/photos/{photo['number']}")
    assert (back.content, back.headers["content-type"]) == (PNG, "image/png")
    assert back.headers["x-content-type-options"] == "nosniff"
    assert http.get("/log/photos/99").status_code == 404


@pytest.mark.parametrize(
    ("content", "media_type", "status", "said"),
    [
        (b"<svg/>", "image/png", 409, "neither a JPEG"),
        (PNG[:-4], "image/png", 409, "cut short"),
        (PNG, "image/gif", 415, "image/jpeg or image/png"),
        (PNG, "application/json", 415, "image/jpeg or image/png"),
        (PNG + b"x" * 700_000, "image/png", 413, "at most 700000 bytes"),
    ],
)
def test_what_is_no_photo_is_refused(
    http: httpx.Client, content: bytes, media_type: str, status: int, said: str
) -> None:
    number = http.post("/log", json={"kind": "note", "text": "anemone"}).json()["number"]
    answer = http.post(
        f"/log/{number}/photos", content=content, headers={"Content-Type": media_type}
    )
    assert answer.status_code == status
    assert said in answer.json()["detail"]
    assert http.get("/log").json()["items"][0]["photos"] == []


def test_a_photo_needs_its_entry(http: httpx.Client) -> None:
    answer = http.post("/log/77/photos", content=PNG, headers={"Content-Type": "image/png"})
    assert answer.status_code == 409
    assert "there is no entry 77" in answer.json()["detail"]
