"""The history of an outage, asked as docs/api.md says: with curl, and with httpx."""

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from support.need import need
from support.web_harbour import HIGH, LEVEL, raised
from support.web_world import World, made_world

from weirwatch.domain.alarm import Event
from weirwatch.domain.instant import SECOND, from_rfc3339

API = (Path(__file__).parents[2] / "docs" / "api.md").read_text(encoding="utf-8")
SECTION = API.split("## The history of an outage\n")[1].split("\n## ")[0]
ADDRESS = "http://127.0.0.1:8080"
TEN = from_rfc3339("2026-05-01T10:00:00Z")
MINUTE = 60 * SECOND
CURL = [
    line.replace("\\\n", " ")
    for line in re.split(r"\n(?=curl)", re.findall(r"```sh\n(.*?)```", SECTION, re.DOTALL)[0])
]


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    """The sump rises at 10:12; from 10:20 to 10:40 nobody was there; it is back at 10:45."""
    with made_world(tmp_path_factory.mktemp("harbour")) as made:
        levels = {
            TEN + n * 10 * SECOND: 320.0 if n >= 72 else 300.0
            for n in range(360)
            if not 120 <= n < 240
        }
        levels |= {TEN + 45 * MINUTE + n * 10 * SECOND: 301.0 for n in range(90)}
        made.harbour.add_readings(LEVEL, levels)
        made.harbour.add_events(
            at(12, "raised", HIGH.id),
            at(40, "raised", "service-was-down"),
            at(45, "returned", HIGH.id),
        )
        yield made


def at(minute: int, kind: str, rule: str) -> Event:
    return Event(TEN + minute * MINUTE, kind, rule, raised().channel)


def curl(world: World, command: str) -> Any:
    line = command.replace(ADDRESS, world.url()).replace("curl", f"{need('curl')} -sS --fail", 1)
    run = subprocess.run(line, shell=True, capture_output=True, text=True, timeout=120)
    assert run.returncode == 0, run.stderr
    return json.loads(run.stdout)


def test_curl_tells_what_happened_when(world: World) -> None:
    events = curl(world, CURL[0])["items"]
    assert [(e["time"], e["rule"], e["kind"]) for e in events] == [
        ("2026-05-01T10:12:00Z", HIGH.id, "raised"),
        ("2026-05-01T10:40:00Z", "service-was-down", "raised"),
        ("2026-05-01T10:45:00Z", HIGH.id, "returned"),
    ]


def test_curl_tells_the_water_and_shows_the_gap_as_one(world: World) -> None:
    buckets = curl(world, CURL[1])["items"]
    assert [bucket["count"] for bucket in buckets] == [30] * 8
    assert [bucket["max"] for bucket in buckets] == [300, 300, 320, 320, 320, 301, 301, 301]
    gaps = [
        (one["end"], two["start"]) for one, two in pairwise(buckets) if one["end"] != two["start"]
    ]
    assert gaps == [("2026-05-01T10:20:00Z", "2026-05-01T10:40:00Z")]


def test_curl_tells_the_alarm(world: World) -> None:
    assert curl(world, CURL[2])["id"] == HIGH.id


def test_httpx_tells_the_same_page_by_page(world: World) -> None:
    example = re.findall(r"```python\n(.*?)```", SECTION, re.DOTALL)[0].replace(
        ADDRESS, world.url()
    )
    run = subprocess.run(
        [sys.executable, "-c", example], capture_output=True, text=True, timeout=120
    )
    assert run.stdout.splitlines() == [
        f"2026-05-01T10:12:00Z {HIGH.id} raised",
        "2026-05-01T10:40:00Z service-was-down raised",
        f"2026-05-01T10:45:00Z {HIGH.id} returned",
    ], run.stderr
