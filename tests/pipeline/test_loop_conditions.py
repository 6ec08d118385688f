"""What the loop observes of nodes, broker, disk and clock, and how it takes a node's backlog."""

from pathlib import Path

import pytest
from support.loop_world import CONFIG, HALL_NODE, SUMP_NODE, World
from support.still_clock import NOON, HandClock

from weirwatch.domain.instant import SECOND
from weirwatch.domain.reading import Quality
from weirwatch.pipeline.inbox import (
    ConditionRequest,
    LinkRequest,
    ServiceEventRequest,
)


def trusts_clock(world: World) -> bool:
    return world.decoder.trust_clock


# --- what the service observes of itself -----------------------------------------------------


def test_a_node_says_goodbye_and_comes_back(world: World) -> None:
    world.put('{"connected": true, "power": "mains"}', f"{SUMP_NODE}/connection")
    world.turn()
    world.turn(5)
    assert world.archive.nodes()["harbour-hall/sump-node"].connected
    world.clock.go(5)
    for _ in range(2):  # a last will, and the same retained message once more
        world.put(
            '{"connected": false, "since": "2026-05-01T12:00:10Z"}', f"{SUMP_NODE}/connection"
        )
    world.turn()
    assert world.kinds("node-offline/sump-node") == [("raised", True)]
    assert world.events()[-1].event.message == (
        "node harbour-hall/sump-node has lost its connection; its channels are blind"
    )
    assert not world.archive.nodes()["harbour-hall/sump-node"].connected
    world.put('{"connected": true}', f"{SUMP_NODE}/connection")
    world.turn(10)
    assert world.kinds("node-offline/sump-node")[1:] == [("returned", False)]


def test_a_node_without_a_rule_of_its_own_is_only_kept(world: World) -> None:
    world.put('{"connected": false}', f"{HALL_NODE}/connection")
    world.turn()
    world.turn(5)
    assert world.archive.nodes()["harbour-hall/hall-node"].connected is False
    assert world.events() == []


def test_readings_soon_after_power_up_are_uncertain(world: World) -> None:
    world.put('{"connected": true}', f"{SUMP_NODE}/connection")
    world.turn()
    world.clock.go(59)
    world.put('[{"n":"ph","v":8.1}]')
    world.clock.go(1)
    world.put('[{"n":"ph","v":8.2}]')
    world.turn(5)
    world.turn(5)
    stored = world.archive.readings("harbour-hall/sump-node/ph", 0, 2**62, None, 9)
    assert [(r.value, r.quality, r.reason) for r in stored] == [
        (8.1, Quality.UNCERTAIN, "warming up"),
        (8.2, Quality.GOOD, ""),
    ]


def test_what_a_broker_repeats_of_a_node_is_not_from_now(tmp_path: Path) -> None:
    """A retained message without a time of its own comes again at every connection of ours."""
    world = World(tmp_path)
    connection = f"{SUMP_NODE}/connection"
    world.put('{"connected":true}', topic=connection)
    since = world.clock.utc
    world.turn(60)
    for away in (False, True):
        if away:
            world.turn(31)
            world.close()
            world = World(tmp_path, clock=HandClock(world.clock.utc + 5 * SECOND))
        world.inbox.put(LinkRequest(up=True))
        world.put('{"connected":true}', topic=connection, retained=True)
        world.put(f'[{{"n":"ph","t":{world.clock.utc / 1e6},"v":8.1}}]')
        world.turn(6)
        assert world.archive.newest()["harbour-hall/sump-node/ph"].quality is Quality.GOOD
        assert world.archive.nodes()["harbour-hall/sump-node"].since == since
    world.put('{"connected":false}', topic=connection, retained=True)  # it is news, though late
    world.turn(1)
    assert world.kinds("node-offline/sump-node") == [("raised", True)]
    lost = world.archive.nodes()["harbour-hall/sump-node"].since
    world.put('{"connected":false}', topic=connection, retained=True)
    world.turn(1)
    assert world.archive.nodes()["harbour-hall/sump-node"].since == lost > since
    world.close()


def test_the_connection_to_the_broker_goes_and_comes(world: World) -> None:
    world.inbox.put(LinkRequest(up=False))
    world.turn()
    assert world.state.link_up_at is None
    assert world.kinds("broker-lost") == [("raised", True)]
    assert [s.event.kind for s in world.events()] == ["raised"]  # it had never been there
    for up in (True, True, False):
        world.inbox.put(LinkRequest(up))
        world.turn(1)
    assert [s.event.kind for s in world.events()][1:] == [
        "broker-connected",
        "returned",
        "broker-disconnected",
        "raised",
    ]
    assert world.state.conditions == {"broker-lost": "no connection to the broker"}


def test_conditions_and_events_of_others(world: World) -> None:
    world.inbox.put(ConditionRequest("notice-undeliverable", "mara cannot be reached"))
    world.inbox.put(ConditionRequest("no-such-rule", "nobody asks"))
    world.inbox.put(ServiceEventRequest("web-interrupted", "the web process ended"))
    world.turn()
    found = [(s.event.kind, s.event.rule, s.event.message) for s in world.events()]
    assert found == [
        ("raised", "notice-undeliverable", "mara cannot be reached"),
        ("web-interrupted", "", "the web process ended"),
    ]
    # New words for what stands already are kept, and nobody is told twice.
    world.inbox.put(ConditionRequest("notice-undeliverable", "mara and odd cannot be reached"))
    world.turn()
    assert world.state.conditions["notice-undeliverable"] == "mara and odd cannot be reached"
    world.inbox.put(ConditionRequest("notice-undeliverable", None))
    world.turn()
    assert world.kinds("notice-undeliverable") == [("raised", True), ("returned", False)]


def test_a_disk_that_fills_up_is_told_before_it_is_full(world: World) -> None:
    world.turn()
    world.disk = "40 MB are free on the disk of the data folder"
    world.turn(59)
    assert (world.disk_looks, world.kinds("disk-full")) == (1, [])
    world.turn(1)
    assert world.kinds("disk-full") == [("raised", True)]
    assert world.events()[-1].event.message == world.disk
    world.disk = "39 MB are free on the disk of the data folder"
    world.turn(60)
    assert len(world.kinds("disk-full")) == 1
    world.disk = None
    world.turn(60)
    assert world.kinds("disk-full") == [("raised", True), ("returned", False)]
    assert world.disk_looks == 4


def test_a_clock_set_back_is_told_and_time_goes_on(world: World) -> None:
    world.level(200)
    world.turn()
    world.turn(6)
    world.clock.set_wall(NOON - 3600 * SECOND)
    world.turn()
    assert world.kinds("clock-untrusted") == [("raised", True)]
    assert world.events()[-1].event.message == (
        "the clock is 3606 s behind what was last committed"
    )
    assert world.events()[-1].event.time == NOON + 6 * SECOND
    assert not trusts_clock(world)
    # A node with a sound clock is an hour ahead of ours: not "in the future" now.
    world.put(f'[{{"n":"level","t":{NOON / 1e6 + 7.5},"v":320}}]')
    world.turn(1)
    assert world.kinds("sump-high") == [("raised", True)]
    assert world.counters.quarantined == 0
    world.turn(1)
    committed = [group.committed_at for group in world.journal.commits]
    assert committed == sorted(committed)
    world.clock.set_wall(NOON + 60 * SECOND)
    world.turn()
    assert world.kinds("clock-untrusted") == [("raised", True), ("returned", False)]
    assert trusts_clock(world)
    assert [group.committed_at for group in world.journal.commits][-1] == NOON + 60 * SECOND


def test_while_the_clock_is_untrusted_a_time_of_arrival_is_doubted(world: World) -> None:
    world.level(200)
    world.turn()
    world.turn(5)
    world.clock.set_wall(NOON - 3600 * SECOND)
    world.turn()
    world.clock.go(1)
    world.put('[{"n":"level","v":320}]')  # no time of its own
    world.turn()
    world.turn(5)
    stored = world.levels()
    assert [(r.time - NOON, r.quality, r.reason) for r in stored] == [
        (0, Quality.GOOD, ""),
        (6 * SECOND, Quality.UNCERTAIN, "clock untrusted"),
    ]
    assert world.kinds("sump-high") == []


def test_a_clock_that_was_behind_from_the_start_is_told_once(tmp_path: Path) -> None:
    world = World(tmp_path)
    world.level(200)
    world.turn()
    world.turn(5)
    world.close()
    world = World(tmp_path, clock=HandClock(utc=NOON - 86_400 * SECOND))
    for _ in range(3):
        world.turn(1)
    assert world.kinds("clock-untrusted") == [("raised", True)]
    world.close()


SILENT = """
[[rule]]
id = "level-silent"
title = "Level silent"
kind = "bad-measurement"
channel = "harbour-hall/sump-node/level"
silent = true
"""


@pytest.mark.parametrize("behind_before", [False, True])
def test_a_clock_that_is_set_right_makes_no_probe_silent(
    tmp_path: Path, behind_before: bool
) -> None:
    """As after each power cut on a board without a battery clock."""
    text = CONFIG.replace("valid = [0, 450]", "valid = [0, 450]\nexpected_every_s = 5") + SILENT
    world = World(tmp_path, text=text)
    world.inbox.put(LinkRequest(up=True))

    def report(times: int) -> None:
        for _ in range(times):
            world.put('[{"n":"level","v":200}]')
            world.turn(5)

    report(5)
    if behind_before:
        world.clock.set_wall(NOON - 86_400 * SECOND)
        report(5)
    world.clock.set_wall(NOON + 7200 * SECOND)
    world.turn(0.5)
    report(5)
    assert world.kinds("level-silent") == []
    (stepped,) = [s.event for s in world.events() if s.event.kind == "clock-set-forward"]
    told = "the clock was set forward, or the machine slept: by "
    assert stepped.message == f"{told}{7150 if behind_before else 7175} s"
    world.turn(14)  # of the 15 s after which it is silent
    assert world.kinds("level-silent") == []
    world.turn(1)
    assert world.kinds("level-silent") == [("raised", True)]
    world.close()


# --- a node's backlog ------------------------------------------------------------------------


def test_what_rose_and_returned_inside_a_backlog_wakes_nobody(world: World) -> None:
    for age, value in ((900, 300), (890, 320), (700, 320), (600, 300), (0, 300)):
        world.level(value, age)
    world.turn()
    assert world.kinds("sump-high") == [("raised", False), ("returned", False)]
    assert [s.event.late for s in world.events()] == [True, True]
    assert world.events()[0].event.time == NOON - 890 * SECOND
    assert world.state.alarms["sump-high"].state == "normal"
    assert world.archive.notices(0, 9) == []


def test_what_still_stands_at_the_end_of_a_backlog_is_announced(world: World) -> None:
    for age in (900, 890, 600, 100):
        world.level(320, age)
    world.turn()
    assert world.kinds("sump-high") == [("raised", False)]
    world.level(321)
    world.turn(1)
    assert world.kinds("sump-high") == [("raised", False), ("announced", True)]
    ((_, notice),) = world.archive.notices(0, 9)
    assert "since 2026-05-01 11:45:00" in notice.text


def test_a_backlog_that_does_not_catch_up_is_announced_anyway(world: World) -> None:
    world.level(320, 900)
    world.turn()
    world.turn(9)
    assert world.kinds("sump-high") == [("raised", False)]
    world.turn(1)
    assert world.kinds("sump-high") == [("raised", False), ("announced", True)]
    assert world.state.alarms["sump-high"].state == "unacknowledged"


def test_a_bold_failure_inside_a_backlog_is_told_at_once(world: World) -> None:
    at = NOON / 1e6
    world.put(
        f'[{{"n":"leak","t":{at - 900},"vb":true}},{{"n":"leak","t":{at - 800},"vb":false}}]',
        f"{HALL_NODE}/readings",
    )
    world.turn()
    assert world.kinds("floor-leak") == [("raised", True), ("returned", False)]
    assert world.state.alarms["floor-leak"].state == "returned-unacknowledged"
    ((_, notice),) = world.archive.notices(0, 9)
    assert "Reported late by its node." in notice.text


def test_an_older_reading_than_the_newest_is_history_only(world: World) -> None:
    world.level(200)
    world.level(320, 5)
    world.turn()
    world.turn(5)
    assert world.events() == []
    assert len(world.levels()) == 2
