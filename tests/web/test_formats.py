"""Tables in other formats, ETag and gzip: read back by libraries that are not ours."""

import csv
import io
import json

import httpx
import pytest
from support.web_harbour import FLOW, LEVEL

SERIES = f"channels/{LEVEL.id}/series"
READINGS = f"channels/{LEVEL.id}/readings"
COLUMNS = ["start", "end", "min", "mean", "max", "count", "first", "last"]


@pytest.mark.parametrize(
    ("params", "headers"),
    [({"format": "csv"}, {}), ({}, {"Accept": "text/csv"}), ({}, {"Accept": "x/y, text/csv;q=1"})],
)
def test_a_series_as_csv(
    api: httpx.Client, params: dict[str, str], headers: dict[str, str]
) -> None:
    plain = api.get(SERIES).json()["items"]
    answer = api.get(SERIES, params=params, headers=headers)
    assert answer.headers["content-type"].startswith("text/csv")
    head, *rows = csv.reader(io.StringIO(answer.text, newline=""))
    assert head == COLUMNS
    assert [float(row[3]) for row in rows] == [item["mean"] for item in plain]
    assert [row[0] for row in rows] == [item["start"] for item in plain]


def test_several_series_are_one_table(api: httpx.Client) -> None:
    asked = {"channel": [FLOW.id, LEVEL.id], "weighted": "true", "points": "40"}
    plain = api.get("series", params=asked).json()["items"]
    rows = [{"channel": one["channel"], **item} for one in plain for item in one["items"]]
    found = list(
        csv.DictReader(io.StringIO(api.get("series", params=asked | {"format": "csv"}).text))
    )
    assert list(found[0]) == ["channel", *COLUMNS, "time_mean", "unit"]
    assert [(row["channel"], row["start"], float(row["time_mean"])) for row in found] == [
        (row["channel"], row["start"], row["time_mean"]) for row in rows
    ]
    assert {(row["channel"], row["unit"]) for row in found} == {(FLOW.id, "L/h"), (LEVEL.id, "mm")}
    lines = api.get("series", params=asked | {"format": "jsonl"}).text.splitlines()
    assert [json.loads(line)["time_mean"] for line in lines] == [row["time_mean"] for row in rows]
    parquet = pytest.importorskip("pyarrow.parquet")
    answer = api.get("series", params=asked | {"format": "parquet"})
    table = parquet.read_table(io.BytesIO(answer.content))
    assert table.column("channel").to_pylist() == [row["channel"] for row in rows]
    assert table.column("first").to_pylist() == [row["first"] for row in rows]


def test_pages_of_readings_follow_the_link(api: httpx.Client) -> None:
    every = api.get(READINGS, params={"limit": 1000}).json()["items"]
    url, found = f"{READINGS}?format=jsonl&limit=150", []
    while url:
        answer = api.get(url)
        assert answer.headers["content-type"] == "application/jsonl"
        found += [json.loads(line) for line in answer.text.splitlines()]
        following = answer.links.get("next", {}).get("url")
        url = str(answer.url.join(following)) if following else ""
    assert found == every


def test_a_series_as_parquet_is_read_by_pyarrow(api: httpx.Client) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    answer = api.get(READINGS, params={"format": "parquet"})
    assert answer.headers["content-type"] == "application/vnd.apache.parquet"
    table = parquet.read_table(io.BytesIO(answer.content))
    plain = api.get(READINGS).json()["items"]
    assert table.column("value").to_pylist() == [item["value"] for item in plain]
    times = [time.strftime("%Y-%m-%dT%H:%M:%SZ") for time in table.column("time").to_pylist()]
    assert times == [item["time"] for item in plain]


def test_an_unknown_format_and_query_are_refused(api: httpx.Client) -> None:
    answer = api.get(SERIES, params={"format": "xml"})
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["at"] == "query.format"


def test_json_stays_the_default(api: httpx.Client) -> None:
    for accept in ("*/*", "application/json", "text/html", "nonsense", ""):
        answer = api.get(SERIES, headers={"Accept": accept})
        assert answer.headers["content-type"] == "application/json"


@pytest.mark.parametrize("path", ["alarms", "events", "systems", SERIES, "failures"])
def test_what_has_not_changed_is_not_sent_again(api: httpx.Client, path: str) -> None:
    first = api.get(path, params={"to": "2026-05-01T12:00:00Z"} if path == SERIES else {})
    tag = first.headers["etag"]
    assert first.headers["cache-control"] == "private, no-cache"
    for known in (tag, f'"x", {tag}', "*", tag.removeprefix("W/")):
        again = api.get(first.url, headers={"If-None-Match": known})
        assert (again.status_code, again.content) == (304, b"")
        assert again.headers["etag"] == tag
    other = api.get(first.url, headers={"If-None-Match": '"other"'})
    assert other.json() == first.json()


def test_formats_have_tags_of_their_own(api: httpx.Client) -> None:
    tags = {api.get(SERIES, params={"format": f}).headers["etag"] for f in ("json", "csv", "jsonl")}
    assert len(tags) == 3


def test_gzip_only_where_it_is_wanted(api: httpx.Client) -> None:
    plain = api.get("failures", headers={"Accept-Encoding": "identity"})
    small = api.get("failures", headers={"Accept-Encoding": "gzip"})
    assert "content-encoding" not in plain.headers
    assert small.headers["content-encoding"] == "gzip"
    assert "Accept-Encoding" in small.headers["vary"]
    assert int(small.headers["content-length"]) < len(plain.content) / 3
    assert small.content == plain.content
    refused = api.get("failures", headers={"Accept-Encoding": "br, gzip;q=0"})
    assert "content-encoding" not in refused.headers
    assert "content-encoding" not in api.get("alive").headers, "too small to be worth it"


def test_a_problem_and_a_stream_have_no_tag(api: httpx.Client) -> None:
    assert "etag" not in api.get("alarms/kraken").headers
    with api.stream("GET", "events/stream", params={"cursor": "0"}) as answer:
        assert "etag" not in answer.headers
        assert next(answer.iter_lines()).startswith("retry")
