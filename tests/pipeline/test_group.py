"""The group under way: what it holds, its numbers, and the notices that it owes."""

from dataclasses import replace
from typing import Any

import pytest
from support.loop_world import LEVEL, settings_of
from support.still_clock import NOON

from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.alarm import Alarm, AlarmState, Event
from weirwatch.domain.reading import Quality, Reading
from weirwatch.domain.state import Decision
from weirwatch.pipeline.group import GroupBuilder
from weirwatch.pipeline.notices import NoticeWriter
from weirwatch.ports import NodeState, Quarantined

RAISED = Alarm(
    "sump-high",
    state=AlarmState.UNACKNOWLEDGED,
    raised_at=NOON,
    announced=True,
    heard=True,
    message="320 mm, at or above 310 mm",
)


def raised(time: int = NOON, rule: str = "sump-high") -> Event:
    return Event(time, "raised", rule=rule, to_state="unacknowledged", annunciated=True)


@pytest.fixture
def alarms() -> dict[str, Alarm]:
    return {rule.id: Alarm(rule.id) for rule in settings_of().rules} | {"sump-high": RAISED}


@pytest.fixture
def builder(alarms: dict[str, Alarm]) -> GroupBuilder:
    settings = settings_of()
    rules = {rule.id: rule for rule in settings.rules}
    writer = NoticeWriter(settings, load_catalogue())
    return GroupBuilder(rules, {LEVEL: 7}, alarms, writer, 41)


def test_it_starts_empty_and_is_stamped(builder: GroupBuilder) -> None:
    assert (builder.empty, builder.urgent) == (True, False)
    group = builder.group(NOON)
    assert group.committed_at == NOON
    assert (group.readings, group.events, group.alarms, group.notices) == ([], [], {}, [])


def test_a_reading_waits_under_its_channels_number(builder: GroupBuilder) -> None:
    builder.reading(Reading(LEVEL, NOON, 999.0, Quality.BAD, "outside valid range"))
    assert (builder.empty, builder.urgent) == (False, False)
    assert builder.group(NOON).readings == [(NOON, 7, 999.0, 2, "outside valid range")]


def test_events_are_numbered_on_and_on_and_are_urgent(builder: GroupBuilder) -> None:
    builder.decision(Decision(alarms={"sump-high": RAISED}, events=(raised(), raised(NOON + 1))))
    assert builder.urgent
    builder.service_event(NOON, "web-interrupted", "it ended")
    first = builder.group(NOON)
    assert [seq for seq, _ in first.events] == [41, 42, 43]
    assert first.alarms == {"sump-high": RAISED}
    builder.clear()
    assert (builder.empty, builder.urgent) == (True, False)
    builder.event(raised(NOON + 2))
    assert [seq for seq, _ in builder.group(NOON).events] == [44]
    assert first.events[0] == (41, raised())  # what was committed is not touched again


def test_bookkeeping_of_an_alarm_is_kept_and_not_urgent(builder: GroupBuilder) -> None:
    builder.decision(Decision(alarms={"sump-high": replace(RAISED, count_since=NOON)}))
    assert (builder.empty, builder.urgent) == (False, False)


@pytest.mark.parametrize(
    "add",
    [
        lambda b: b.node(NodeState("harbour-hall/sump-node", True, NOON)),
        lambda b: b.quarantine([Quarantined(NOON, "t", "not-senml", "why", b"x")]),
        lambda b: b.resumed({"sump-high": RAISED}, []),
        lambda b: b.resumed({}, ["former"]),
    ],
    ids=["node", "quarantined", "resumed", "closed"],
)
def test_what_else_can_be_in_a_group(builder: GroupBuilder, add: Any) -> None:
    add(builder)
    assert (builder.empty, builder.urgent) == (False, False)
    group = builder.group(NOON)
    found = (list(group.nodes), len(group.quarantined), list(group.alarms), group.closed)
    assert found in [
        (["harbour-hall/sump-node"], 0, [], []),
        ([], 1, [], []),
        ([], 0, ["sump-high"], []),
        ([], 0, [], ["former"]),
    ]


def test_a_restart_that_changed_nothing_is_nothing_to_commit(builder: GroupBuilder) -> None:
    builder.resumed({}, [])
    assert builder.empty


def test_notices_are_written_once_however_often_the_commit_is_tried(builder: GroupBuilder) -> None:
    builder.event(raised())
    first = builder.group(NOON)
    assert [(n.id, n.recipient, n.created) for n in first.notices] == [
        ("41-keeper", "keeper", NOON)
    ]
    words = first.notices[0].text
    builder.event(Event(NOON, "acknowledged", rule="sump-high"))
    builder.event(raised(NOON + 5))
    again = builder.group(NOON + 9)
    assert [n.id for n in again.notices] == ["41-keeper", "43-keeper"]
    assert again.notices[0].text == words
    assert again.committed_at == NOON + 9


def test_what_is_not_annunciated_is_told_to_nobody(builder: GroupBuilder) -> None:
    builder.event(replace(raised(), annunciated=False))
    builder.event(Event(NOON, "rule-deleted", rule="former"))
    assert builder.group(NOON).notices == []


def test_the_answer_to_a_command_is_the_alarm_as_it_is_now(
    builder: GroupBuilder, alarms: dict[str, Alarm]
) -> None:
    alarms["sump-high"] = replace(RAISED, state=AlarmState.ACKNOWLEDGED, acknowledged_by="keeper")
    shown = builder.alarm_json("sump-high")
    assert (shown["state"], shown["acknowledged_by"]) == ("acknowledged", "keeper")
    assert shown["safety_card"]["title"]
