"""/metrics is OpenMetrics, judged by the parser of prometheus-client, and documented in full."""

import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

import httpx
import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from support.web_harbour import FLOW, HIGH, LEVEL, NOON, FakeCore, Harbour
from support.web_world import World

from weirwatch.domain.errors import TransientError
from weirwatch.domain.instant import SECOND
from weirwatch.domain.reading import Quality
from weirwatch.pipeline.access import Role
from weirwatch.ports import Group
from weirwatch.web.metrics import _COUNTERS

pytestmark = pytest.mark.usefixtures("fresh_world")
API = (Path(__file__).parents[2] / "docs" / "api.md").read_text(encoding="utf-8")
COUNTS = {
    **{place: n for n, (place, _) in enumerate(_COUNTERS.values()) if "." not in place},
    "notices": {"delivered": 7, "failures": 8, "given_up": 9, "expired": 10, "folded": 11},
    "heartbeat": {"taken": 12, "failures": 13, "withheld": 14},
    "store": dict.fromkeys(
        ("damaged_parts", "upkeep_failures", "let_go_for_room", "let_go_late"), 3
    ),
    "mqtt": {"connects": 2, "disconnects": 1, "received": 5},
}


def full_health(core: FakeCore) -> None:
    def health() -> Mapping[str, Any]:
        return {"status": "degraded", "broker": {"connected": True}, "counts": COUNTS}

    core.health = health  # type: ignore[method-assign]


parsed: Callable[[str], Iterable[Any]] = text_string_to_metric_families


def families(world: World) -> dict[str, Any]:
    answer = httpx.get(world.url("/metrics"))
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
    return {family.name: family for family in parsed(answer.text)}


def values(family: Any, label: str) -> dict[str, float]:
    return {sample.labels[label]: sample.value for sample in family.samples}


def test_every_metric_is_documented_with_its_kind_and_labels(world: World) -> None:
    full_health(world.core)
    rows = re.findall(r"^\| `(weirwatch_\w+)` \| ([a-z ]+) \| (.*?) \|", API, re.MULTILINE)
    told = {
        name: (kind.replace(" ", ""), set(re.findall(r"`(\w+)`", marks)))
        for name, kind, marks in rows
    }
    found = families(world)
    assert told.keys() == found.keys()
    for name, family in found.items():
        kind, labels = told[name]
        assert family.type == kind, name
        for sample in family.samples:
            assert set(sample.labels) - {name} == labels, name
        assert family.documentation, name


def test_channels_have_value_quality_and_age(world: World, harbour: Harbour) -> None:
    found = families(world)
    value = values(found["weirwatch_channel_value"], "channel")
    newest = {c["id"]: c for c in httpx.get(world.url("/api/v1/channels")).json()["items"]}
    assert value[LEVEL.id] == newest[LEVEL.id]["value"]
    assert values(found["weirwatch_channel_age_seconds"], "channel")[FLOW.id] == 3600.0
    assert "harbour-hall/old-node/ph" not in value, "not configured any more"
    assert "harbour-hall/hall-node/leak" not in value, "never heard"
    sample = found["weirwatch_channel_value"].samples[0]
    assert (sample.labels["unit"], sample.labels["node"]) == ("mm", "sump-node")
    number = harbour.numbers[LEVEL.id]
    rows = [(NOON + SECOND, number, 999.0, int(Quality.BAD), "out of range")]
    harbour.journal.commit(Group(readings=rows, committed_at=NOON))
    after = families(world)
    assert LEVEL.id not in values(after["weirwatch_channel_value"], "channel"), "bad: no value"
    assert values(after["weirwatch_channel_good"], "channel")[LEVEL.id] == 0


def test_alarms_are_a_set_of_states(world: World) -> None:
    found = families(world)
    states = {
        sample.labels["weirwatch_alarm_state"]: sample.value
        for sample in found["weirwatch_alarm_state"].samples
        if sample.labels["rule"] == HIGH.id
    }
    assert len(states) == 6
    assert [state for state, value in states.items() if value] == ["unacknowledged"]
    assert values(found["weirwatch_alarm_unacknowledged"], "rule")[HIGH.id] == 1
    assert values(found["weirwatch_alarm_in_service"], "rule")["floor-leak"] == 0


def test_the_service_counts_what_health_counts(world: World) -> None:
    full_health(world.core)
    found = families(world)
    assert found["weirwatch_up"].samples[0].value == 1
    assert found["weirwatch_ok"].samples[0].value == 0
    assert found["weirwatch_notices_given_up"].samples[0].value == 9
    assert found["weirwatch_notices_expired"].samples[0].value == 10
    assert found["weirwatch_notices_folded"].samples[0].value == 11
    assert found["weirwatch_heartbeats_taken"].samples[0].value == 12
    assert found["weirwatch_heartbeat_failures"].samples[0].value == 13
    assert found["weirwatch_heartbeats_withheld"].samples[0].value == 14
    assert found["weirwatch_messages"].samples[0].name == "weirwatch_messages_total"


def test_without_a_core_it_says_so_and_goes_on(world: World) -> None:
    world.core.failing = TransientError("gone")
    found = families(world)
    assert found["weirwatch_up"].samples[0].value == 0
    assert "weirwatch_ok" not in found
    assert "weirwatch_channel_value" in found


def test_with_tokens_it_needs_one(world: World) -> None:
    text = world.token("scraper", Role.VIEW)
    url = world.url("/metrics")
    assert httpx.get(url).status_code == 401
    assert httpx.get(url, headers={"Authorization": f"Bearer {text}"}).status_code == 200
    assert httpx.post(url, headers={"Authorization": f"Bearer {text}"}).status_code == 403
