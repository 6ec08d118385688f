"""What the doctor finds in the record, among retained messages and in a broker's settings."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from support.web_harbour import LEVEL, NOON, Harbour

from weirwatch.domain.instant import SECOND
from weirwatch.pipeline.doctor import examine, examine_broker_conf, examine_retained
from weirwatch.ports import Group, NodeState, Quarantined

DAY = 86_400 * SECOND
TOPIC = "weirwatch/harbour-hall/sump-node/readings"


@pytest.fixture
def harbour(tmp_path: Path) -> Iterator[Harbour]:
    harbour = Harbour(tmp_path)
    yield harbour
    harbour.close()


def connect(harbour: Harbour, node: str, since: int, *, connected: bool = True) -> None:
    state = NodeState(f"harbour-hall/{node}", connected, since)
    harbour.journal.commit(Group(nodes={state.node: state}, committed_at=NOON))


def codes(harbour: Harbour) -> list[tuple[str, str]]:
    return [(f.code, f.about) for f in examine(harbour.archive, harbour.settings, NOON)]


def test_a_healthy_record_has_nothing_to_find(harbour: Harbour) -> None:
    connect(harbour, "sump-node", NOON - DAY)
    harbour.add_readings(LEVEL, {NOON - SECOND: 300.0})
    assert codes(harbour) == []


def test_a_node_that_connects_and_delivers_nothing(harbour: Harbour) -> None:
    connect(harbour, "sump-node", NOON - 600 * SECOND)
    assert codes(harbour) == [("delivers-nothing", "harbour-hall/sump-node")]
    harbour.add_readings(LEVEL, {NOON - DAY: 300.0})
    assert codes(harbour) == [("delivers-nothing", "harbour-hall/sump-node")], "that was before"
    harbour.add_readings(LEVEL, {NOON - 300 * SECOND: 300.0})
    assert codes(harbour) == []


def test_a_node_whose_readings_wait_for_their_group_commit_delivers(harbour: Harbour) -> None:
    connect(harbour, "sump-node", NOON - 600 * SECOND)
    assert codes(harbour) == [("delivers-nothing", "harbour-hall/sump-node")]
    service = replace(harbour.settings.service, commit_every=900 * SECOND)
    harbour.settings = replace(harbour.settings, service=service)
    assert codes(harbour) == []


def test_a_node_just_connected_or_gone_is_given_time(harbour: Harbour) -> None:
    connect(harbour, "sump-node", NOON - 10 * SECOND)
    connect(harbour, "hall-node", NOON - DAY, connected=False)
    assert codes(harbour) == []


def test_clocks_and_units_of_the_last_day(harbour: Harbour) -> None:
    def bad(code: str, age: int, topic: str = TOPIC) -> Quarantined:
        return Quarantined(NOON - age, topic, code, f"because of {code}", b"[]")

    found = [
        bad("in-the-future", SECOND), bad("ancient", 2 * SECOND), bad("wrong-unit", SECOND),
        bad("wrong-unit", 2 * DAY, "weirwatch/harbour-hall/hall-node/readings"),
    ]  # fmt: skip
    harbour.journal.commit(Group(quarantined=found, committed_at=NOON))
    assert codes(harbour) == [("clock-skew", TOPIC), ("wrong-unit", TOPIC)]
    skew, unit = examine(harbour.archive, harbour.settings, NOON)
    assert skew.sentence.startswith("2 messages")
    assert "because of wrong-unit" in unit.sentence


def test_what_else_could_not_be_used_is_told_by_topic_with_the_newest_reason(
    harbour: Harbour,
) -> None:
    wrong = "weirwatch/harbour-hall/pump-node/readings"
    found = [
        Quarantined(NOON - 3 * SECOND, wrong, "not-senml", "an older one", b"[]"),
        Quarantined(NOON - SECOND, wrong, "unknown-channel", "no such node.", b"[]"),
        Quarantined(NOON - SECOND, TOPIC, "not-a-number", "v is text", b"[]"),
        Quarantined(NOON - 2 * DAY, TOPIC, "too-large", "too long ago", b"[]"),
    ]
    harbour.journal.commit(Group(quarantined=found, committed_at=NOON))
    assert codes(harbour) == [("unusable", wrong), ("unusable", TOPIC)]
    node, one = examine(harbour.archive, harbour.settings, NOON)
    assert node.sentence == (
        "2 messages of the last day could not be used; the newest: no such node"
    )
    assert one.sentence.startswith("1 message of the last day")
    assert node.cure.startswith("send what docs/wire.md says")


def test_what_came_by_a_tap_is_corrected_at_its_tap(harbour: Harbour) -> None:
    bad = Quarantined(NOON - SECOND, "plain/sump/level", "not-a-number", "'20,1' is not", b"20,1")
    harbour.journal.commit(Group(quarantined=[bad], committed_at=NOON))
    (found,) = examine(harbour.archive, harbour.settings, NOON)
    assert found.cure == "correct what the node sends, or pointer, scale and words of its [[tap]]"


def test_retained_junk(harbour: Harbour) -> None:
    kept = [
        (TOPIC, b"[]"),
        ("weirwatch/harbour-hall/sump-node/connection", b"{}"),
        ("weirwatch/harbour-hall/gone-node/connection", b"{}"),
        ("weirwatch/service/connection", b"{}"),
        ("weirwatch/harbour-hall/alarm/sump-level-high", b"{}"),
        ("weirwatch/harbour-hall/alarm/return/flow-lost", b"{}"),
        ("weirwatch/harbour-hall/alarm/no-such-rule", b"{}"),
    ]
    found = list(examine_retained(kept, harbour.settings))
    assert [finding.about for finding in found] == [kept[0][0], kept[2][0], kept[6][0]]
    assert all("mosquitto_pub -r -n" in finding.cure for finding in found)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("", ["no-persistence", "queue-limit", "window-limit"]),
        ("persistence true\nmax_queued_messages 0\nmax_inflight_messages 1000\n", []),
        ("persistence true\nmax_queued_messages 5000\nmax_inflight_messages 0", ["queue-limit"]),
        (
            "# persistence true\npersistence false\nmax_queued_messages 0\n"
            "max_inflight_messages 500\n",
            ["no-persistence"],
        ),
    ],
)
def test_what_a_broker_lacks(text: str, found: list[str]) -> None:
    assert [finding.code for finding in examine_broker_conf(text, "file")] == found
