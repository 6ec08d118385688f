"""The health document: every reason to worry in a sentence, and nothing when there is none."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from support.loop_world import World, settings_of
from support.still_clock import NOON

from weirwatch.domain.errors import TransientError
from weirwatch.domain.instant import SECOND
from weirwatch.pipeline.health import Health
from weirwatch.pipeline.heartbeat import TOLD_AFTER, Heartbeat
from weirwatch.pipeline.inbox import ConditionRequest, LinkRequest
from weirwatch.pipeline.outbox import Outbox
from weirwatch.pipeline.timekeeper import Timekeeper
from weirwatch.ports import BrokerFacts, SignOfLife
from weirwatch.store.sqlite_outbox import SqliteOutbox

FACTS = BrokerFacts("configured", "127.0.0.1:1883", "Run by others.", 20)


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    world = World(tmp_path)
    world.inbox.put(LinkRequest(up=True))
    world.turn()
    yield world
    world.close()


def health_of(world: World, web: Any = None) -> Health:
    outbox = Outbox(
        lambda: SqliteOutbox(world.path),
        {},
        world.clock,
        Timekeeper(world.clock, None),
        lambda _: None,
    )
    outbox.delivered = 4
    return Health(
        settings=settings_of(),
        clock=world.clock,
        counters=world.counters,
        broker=FACTS,
        transport=world.transport,
        outbox=outbox,
        state=world.state,
        started_at=NOON,
        web=web,
        waiting=lambda: len(world.inbox),
        dropped=lambda: world.inbox.dropped,
    )


def test_all_is_well(world: World) -> None:
    world.clock.go(1)
    world.level(320)
    world.turn()
    shown = health_of(world).as_json()
    assert (shown["status"], shown["problems"]) == ("ok", [])
    assert shown["time"] == "2026-05-01T12:00:01Z"
    assert shown["started_at"] == "2026-05-01T12:00:00Z"
    assert shown["committed_at"] == "2026-05-01T12:00:01Z"
    assert shown["broker"] == {
        "kind": "configured",
        "address": "127.0.0.1:1883",
        "limits": "Run by others.",
        "connected": True,
        "state": "127.0.0.1:1883: connected",
    }
    assert shown["rules"] == len(settings_of().rules)
    assert (shown["standing"], shown["unacknowledged"]) == (1, 1)
    assert shown["web"] is None
    assert shown["not_in_force"] is None
    counts = shown["counts"]
    assert (counts["messages"], counts["readings"], counts["commits"]) == (1, 1, 2)
    assert counts["mqtt"] == {"acked": 1}
    assert counts["notices"]["delivered"] == 4
    assert sum(counts["notices"].values()) == 4
    assert counts["listeners"] == {}
    assert counts["waiting"] == 0
    assert counts["commit_longest_ms"] >= counts["commit_last_ms"] >= 0


def test_before_the_first_commit(tmp_path: Path) -> None:
    world = World(tmp_path)
    shown = health_of(world).as_json()
    assert shown["committed_at"] is None
    assert shown["broker"]["connected"] is False
    world.close()


def test_no_broker(world: World) -> None:
    world.inbox.put(LinkRequest(up=False))
    world.turn()
    shown = health_of(world).as_json()
    assert shown["status"] == "degraded"
    assert shown["problems"] == [
        "no connection to the MQTT broker at 127.0.0.1:1883: 127.0.0.1:1883: connected"
    ]


def test_messages_that_did_not_fit(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("weirwatch.pipeline.inbox.MOST_WAITING", 3)
    world.journal.failures = 1
    world.level(320)
    world.turn()
    for qos in (0, 1, 0, 0, 0, 1):
        world.put('[{"n":"level","v":300}]', qos=qos)
    health = health_of(world)
    assert len(world.inbox) == 4  # what is at QoS 1 always fits: its sender waits
    assert health.as_json()["counts"]["dropped"] == 2
    assert health.as_json()["problems"][-1] == (
        "2 messages at QoS 0 dropped while nothing could be stored: have their senders use QoS 1,"
        " which waits"
    )


def test_a_disk_that_refuses(world: World) -> None:
    world.journal.failures = 1
    world.level(320)
    world.turn()
    shown = health_of(world).as_json()
    assert shown["problems"] == ["commits fail: the disk is full: free some space"]
    assert shown["counts"]["commit_failures"] == 1
    world.turn(1)
    assert health_of(world).as_json()["status"] == "ok"


def test_a_loop_that_hangs(world: World) -> None:
    world.clock.go(10)
    assert health_of(world).as_json()["status"] == "ok"
    world.clock.go(0.001)
    assert health_of(world).as_json()["problems"] == ["the loop has not turned for 10 s"]
    world.turn()
    assert health_of(world).as_json()["status"] == "ok"


def test_what_the_service_observed_of_itself(world: World) -> None:
    world.inbox.put(ConditionRequest("notice-undeliverable", "mara cannot be reached: busy"))
    world.turn()
    world.clock.set_wall(NOON - 3600 * SECOND)
    world.turn()
    assert health_of(world).as_json()["problems"] == [
        "notice-undeliverable: mara cannot be reached: busy",
        "clock-untrusted: the clock is 3600 s behind what was last committed",
    ]


def test_web_and_listeners_have_their_say(world: World) -> None:
    health = health_of(world, web=lambda: {"pid": 7, "answering": True})
    health.listeners = lambda: {"listeners": 2, "dropped": 1}
    shown = health.as_json()
    assert shown["web"] == {"pid": 7, "answering": True}
    assert shown["counts"]["listeners"] == {"listeners": 2, "dropped": 1}


def test_what_the_store_lost_is_counted_and_said(world: World) -> None:
    health = health_of(world)
    counts = {"damaged_parts": 0, "upkeep_failures": 2, "let_go_for_room": 0, "let_go_late": 5}
    health.store = lambda: counts
    shown = health.as_json()
    assert (shown["status"], shown["counts"]["store"]) == ("ok", counts)
    counts |= {"damaged_parts": 3, "let_go_for_room": 4}
    damaged, let_go = health.as_json()["problems"]
    assert damaged.startswith("3 damaged part(s) of the history are left out: weirwatch doctor")
    assert let_go.startswith("the oldest readings of 4 hour(s) had to go early")


def test_signs_of_life_show_and_so_does_that_they_are_not_taken(world: World) -> None:
    class Refusing:
        def send(self, sign: SignOfLife) -> None:
            raise TransientError(f"answered 503 to number {sign.number}")

    health = health_of(world)
    assert health.as_json()["heartbeat"] is None
    heart = Heartbeat(Refusing(), 60.0, health.turning, health.status, world.clock, lambda *_: None)
    health.heartbeat = heart
    for _ in range(TOLD_AFTER):
        assert health.status() == "ok"
        heart.beat_once()
    shown = health.as_json()
    assert shown["status"] == "degraded"
    assert shown["problems"] == [
        f"signs of life are not taken ({TOLD_AFTER} in a row): answered 503 to number {TOLD_AFTER}"
    ]
    assert shown["heartbeat"]["failures"] == shown["counts"]["heartbeat"]["failures"] == TOLD_AFTER
