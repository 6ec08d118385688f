"""Events by pages and live: in order, none missing, none twice, whatever the reader does."""

import json
import socket
from collections.abc import Iterator
from contextlib import contextmanager

import httpx
import pytest
from fastapi import FastAPI
from support.control_client import until
from support.web_harbour import NOON, FakeCore, Harbour, raised

from weirwatch.domain.instant import to_rfc3339
from weirwatch.pipeline.queries import event_json
from weirwatch.web import event_routes

pytestmark = pytest.mark.usefixtures("fresh_world")


@contextmanager
def stream(api: httpx.Client, **headers: str) -> Iterator[Iterator[tuple[str, str]]]:
    with api.stream("GET", "events/stream", headers=headers) as answer:
        assert answer.status_code == 200
        assert answer.headers["content-type"] == "text/event-stream; charset=utf-8"
        assert answer.headers["cache-control"] == "no-store"
        yield (
            (field, value)
            for field, _, value in (line.partition(": ") for line in answer.iter_lines() if line)
        )


def ids(lines: Iterator[tuple[str, str]], count: int) -> list[int]:
    found: list[int] = []
    for field, value in lines:
        if field == "id":
            found.append(int(value))
        if len(found) == count:
            break
    return found


def test_events_of_a_range(api: httpx.Client) -> None:
    start = NOON - 60_000_000 + 10
    query = {"from": to_rfc3339(start), "to": to_rfc3339(start + 5), "limit": "3"}
    first = api.get("events", params=query).json()
    assert [event["seq"] for event in first["items"]] == [11, 12, 13]
    second = api.get("events", params=query | {"cursor": first["next"]}).json()
    assert [event["seq"] for event in second["items"]] == [14, 15]
    assert second["next"] is None


def test_a_stream_begins_with_what_comes_next(
    api: httpx.Client, harbour: Harbour, core: FakeCore
) -> None:
    with stream(api) as lines:
        assert next(lines) == ("retry", "2000")
        (stored,) = harbour.add_events(raised())
        core.publish(stored)
        assert next(line for line in lines if line[0] == "id") == ("id", "31")
        field, value = next(lines)
        assert field == "data"
        assert json.loads(value) == event_json(stored)


def test_a_stream_goes_on_after_the_last_event_seen(
    api: httpx.Client, harbour: Harbour, core: FakeCore
) -> None:
    with stream(api, **{"Last-Event-ID": "12"}) as lines:
        assert ids(lines, 18) == list(range(13, 31))
        core.publish(*harbour.add_events(raised(), raised()))
        assert ids(lines, 2) == [31, 32]
    with api.stream("GET", "events/stream", params={"cursor": "28"}) as answer:
        found = [line for line in iter_some(answer, 2) if line.startswith("id: ")]
        assert found == ["id: 29", "id: 30"]


def iter_some(answer: httpx.Response, events: int) -> Iterator[str]:
    for line in answer.iter_lines():
        yield line
        events -= line.startswith("data: ")
        if not events:
            return


def test_an_id_from_a_longer_record_goes_on_from_the_end(
    api: httpx.Client, harbour: Harbour, core: FakeCore
) -> None:
    with stream(api, **{"Last-Event-ID": "999999"}) as lines:
        next(lines)
        core.publish(*harbour.add_events(raised()))
        assert ids(lines, 1) == [31]


def test_a_quiet_stream_shows_that_it_lives(api: httpx.Client) -> None:
    with stream(api) as lines:
        assert next(lines) == ("retry", "2000")
        assert next(lines) == ("", "still here")


def test_an_event_is_found_even_when_the_core_said_nothing(
    api: httpx.Client, harbour: Harbour
) -> None:
    with stream(api) as lines:
        harbour.add_events(raised())
        assert ids(lines, 1) == [31]


def test_a_reader_that_does_not_read_costs_nobody_anything_and_misses_nothing(
    api: httpx.Client, port: int, harbour: Harbour, core: FakeCore
) -> None:
    with socket.create_connection(("127.0.0.1", port)) as slow:
        slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 65536)
        slow.settimeout(60)
        slow.sendall(b"GET /api/v1/events/stream HTTP/1.1\r\nHost: localhost\r\n\r\n")
        received = bytearray()
        while b"retry: 2000\n" not in received:  # from here on it is owed every event
            received += slow.recv(256)
        with stream(api) as lines:
            next(lines)
            for _ in range(20):
                core.publish(*harbour.add_events(*(raised(n) for n in range(500))))
            assert ids(lines, 10_000) == list(range(31, 10_031))
        assert api.get("alive").status_code == 200
        while b"id: 10030\n" not in received[-2000:]:
            received += slow.recv(65536)
    assert received.count(b"\nid: ") == 10_000


def test_too_many_streams_are_refused_and_their_places_come_free(
    api: httpx.Client, port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(event_routes, "MOST_STREAMS", 2)
    with stream(api) as first, stream(api) as second:
        next(first)
        next(second)
        refused = api.get("events/stream")
        assert refused.status_code == 503
        assert refused.json()["type"] == "urn:weirwatch:problem:too-many-streams"
        assert refused.headers["retry-after"]

    def place_is_free() -> bool:
        with api.stream("GET", "events/stream") as answer:
            return answer.status_code == 200

    until(place_is_free)


@pytest.mark.parametrize("bad", ["x", "-1", "1.5", "9" * 30])
def test_a_last_event_id_that_is_none_is_refused(api: httpx.Client, bad: str) -> None:
    answer = api.get("events/stream", headers={"Last-Event-ID": bad})
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["at"] == "header.last-event-id"


def test_streams_end_when_the_process_ends(api: httpx.Client, app: FastAPI) -> None:
    with stream(api) as lines:
        next(lines)
        app.state.live.end_streams()
        assert [line for line in lines if line[0] == "id"] == []  # and it does end
