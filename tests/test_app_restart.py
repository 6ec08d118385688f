"""The core over a restart: alarms, delays, clock, nodes; rules edited or deleted meanwhile."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from support.hall import CONFIG, LOW, Hall
from support.loop_world import SUMP_NODE
from support.still_clock import NOON, HandClock

from weirwatch.domain.instant import SECOND
from weirwatch.pipeline.inbox import LinkRequest
from weirwatch.ports import Group, NodeState, WireMessage
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

SILENT = """
[[rule]]
id = "level-silent"
title = "Level silent"
kind = "bad-measurement"
channel = "harbour-hall/sump-node/level"
silent = true
failure = "probe-silent"
response = "See whether the node has power."
"""


@pytest.fixture
def hall() -> Iterator[Hall]:
    with TemporaryDirectory(prefix="ww-") as folder:  # pytest's own paths may be too long
        yield Hall(Path(folder))


# --- over a restart --------------------------------------------------------------------------


def test_every_alarm_is_what_it_was_and_nobody_is_told_again(hall: Hall) -> None:
    with hall.core() as core:
        hall.level(core, 320)
        hall.command(core, "acknowledge", "sump-high", comment="going there")
    hall.clock.go(20)
    with hall.core() as core:
        assert core.health.as_json()["standing"] == 1
        hall.clock.go(1)
        hall.level(core, 321)
        assert hall.state("sump-high") == "acknowledged"
        hall.clock.go(1)
        hall.level(core, 290)
    assert hall.kinds("sump-high") == ["raised", "acknowledged", "returned"]
    assert hall.state("sump-high") == "normal"


def test_a_delay_that_was_running_starts_again_at_the_first_good_reading(hall: Hall) -> None:
    hall.write(CONFIG + LOW)
    with hall.core() as core:
        hall.level(core, 90)
        hall.clock.go(20)
    hall.clock.go(20)
    with hall.core() as core:
        hall.clock.go(20)
        core.loop.turn_once()
        hall.level(core, 91)
        hall.clock.go(29)
        core.loop.turn_once()
        assert hall.kinds("sump-low") == []
        hall.clock.go(1)
        core.loop.turn_once()
        assert hall.kinds("sump-low") == ["raised"]
    assert hall.events()[-1].event.time == NOON + 90 * SECOND


def test_shelving_goes_on_and_ends_at_its_own_time(hall: Hall) -> None:
    with hall.core() as core:
        hall.command(core, "shelve", "sump-high", minutes=10)
        hall.level(core, 320)
    hall.clock.go(9 * 60)
    with hall.core() as core:
        assert hall.kinds("sump-high") == ["shelved", "raised"]
        hall.clock.go(61)
        core.loop.turn_once()
    last = [s.event for s in hall.events() if s.event.rule == "sump-high"][-1]
    assert (last.kind, last.annunciated, last.time) == ("unshelved", True, NOON + 600 * SECOND)


def test_a_short_orderly_stop_is_on_record_only(hall: Hall) -> None:
    with hall.core():
        pass
    hall.clock.go(60)
    with hall.core():
        pass
    assert hall.kinds("service-was-down") == []
    assert [s.event.message for s in hall.events() if s.event.kind == "service-started"][1] == (
        "the service was stopped in order and away from 2026-05-01 12:00:00 UTC to "
        "2026-05-01 12:01:00 UTC (1 min)"
    )


@pytest.mark.parametrize(
    ("ends", "away", "how"), [("lost", 1, "lost"), ("in order", 61, "stopped")]
)
def test_a_loss_or_a_long_stop_is_told(hall: Hall, ends: str, away: float, how: str) -> None:
    with hall.core(ends=ends):
        pass
    hall.clock.go(away)
    with hall.core():
        pass
    assert hall.kinds("service-was-down") == ["raised", "returned"]
    raised = next(s.event for s in hall.events() if s.event.rule == "service-was-down")
    assert raised.annunciated
    assert f"the service was {how}" in raised.message
    hall.clock.go(1)
    with hall.core():
        pass
    assert len(hall.kinds("service-was-down")) == 2


def test_a_clock_behind_the_last_record_is_told_once(hall: Hall) -> None:
    with hall.core():
        pass
    hall.clock = HandClock(utc=NOON - 86_400 * SECOND)  # a board without a battery clock
    with hall.core() as core:
        for _ in range(3):
            hall.clock.go(1)
            core.loop.turn_once()
        assert hall.kinds("clock-untrusted") == ["raised"]
        hall.clock.set_wall(NOON + 3600 * SECOND)
        core.loop.turn_once()
    assert hall.kinds("clock-untrusted") == ["raised", "returned"]


def test_a_clock_that_is_sound_again_at_the_next_start_clears_the_alarm(hall: Hall) -> None:
    with hall.core():
        pass
    hall.clock.set_wall(NOON - 86_400 * SECOND)
    with hall.core():
        pass
    hall.clock.set_wall(NOON + 30 * SECOND)
    with hall.core():
        pass
    assert hall.kinds("clock-untrusted") == ["raised", "returned"]


def test_a_node_that_was_offline_still_is(hall: Hall) -> None:
    hall.write(
        CONFIG + '[[rule]]\nid = "node-offline/sump-node"\nkind = "system"\non_delay_s = 0\n'
    )
    with hall.core() as core:
        topic = f"{SUMP_NODE}/connection"
        payload = b'{"connected": false}'
        core.inbox.put(WireMessage(1, 1, 1, topic, payload, hall.clock.utc, False))
        core.loop.turn_once()
    hall.clock.go(10)
    with hall.core() as core:
        hall.clock.go(10)
        core.loop.turn_once()
        assert "node-offline/sump-node" in core.health.as_json()["problems"][-1]
    assert hall.kinds("node-offline/sump-node") == ["raised"]


def test_a_node_with_a_fast_clock_is_not_heard_after_the_start(hall: Hall) -> None:
    silent = CONFIG.replace('unit = "mm"', 'unit = "mm"\nexpected_every_s = 5') + SILENT
    hall.write(silent)
    with hall.core() as core:
        core.inbox.put(LinkRequest(up=True))
        hall.level(core, 200, ahead=50)
    hall.clock.go(2)
    with hall.core() as core:
        core.inbox.put(LinkRequest(up=True))
        core.loop.turn_once()
        hall.clock.go(15)
        core.loop.turn_once()
    assert hall.kinds("level-silent") == ["raised"]


def test_a_node_that_came_back_within_its_off_delay_is_not_offline_for_ever(hall: Hall) -> None:
    delays = "on_delay_s = 0\noff_delay_s = 60\n"
    hall.write(f'{CONFIG}[[rule]]\nid = "node-offline/sump-node"\nkind = "system"\n{delays}')
    with hall.core() as core:
        for mid, connected in enumerate((b"false", b"true")):
            payload = b'{"connected": %b}' % connected
            topic = f"{SUMP_NODE}/connection"
            core.inbox.put(WireMessage(1, mid, 1, topic, payload, hall.clock.utc, False))
            core.loop.turn_once()
            hall.clock.go(10)
    with hall.core() as core:
        hall.clock.go(61)
        core.loop.turn_once()
    assert hall.kinds("node-offline/sump-node") == ["raised", "returned"]


def test_what_ended_while_it_was_away_comes_before_what_it_finds(hall: Hall) -> None:
    hall.write(
        f'{CONFIG}[[rule]]\nid = "node-offline/sump-node"\nkind = "system"\non_delay_s = 5\n'
        'suppressed_by = ["sump-high"]\nhold_off_s = 60\n'
    )
    topic, offline = f"{SUMP_NODE}/connection", "node-offline/sump-node"
    with hall.core() as core:
        hall.level(core, 320)
        core.inbox.put(WireMessage(1, 9, 1, topic, b'{"connected": false}', NOON, False))
        core.loop.turn_once()
        hall.clock.go(10)
        hall.level(core, 290)
    with closing(SqliteJournal(hall.data / FILE_NAME)) as journal:  # it is back at the next start
        back = NodeState("harbour-hall/sump-node", connected=True, since=NOON)
        journal.commit(Group(nodes={back.node: back}, committed_at=hall.clock.utc))
    hall.clock.go(100)
    with hall.core():
        pass
    events = [s.event for s in hall.events() if s.event.rule == offline]
    assert [(e.kind, (e.time - NOON) // SECOND, e.annunciated) for e in events] == [
        ("suppressed", 0, False),
        ("raised", 5, False),
        ("released", 70, True),
        ("returned", 110, False),
    ]


def test_two_systems_with_a_node_of_the_same_name_each_have_their_rule(hall: Hall) -> None:
    other = CONFIG.split("[[system]]")[1].split("[[rule]]")[0].replace("harbour-hall", "annexe")
    off = [
        f'[[rule]]\nid = "node-offline/{system}/sump-node"\nkind = "system"\non_delay_s = 0\n'
        for system in ("harbour-hall", "annexe")
    ]
    hall.write(f"{CONFIG}[[system]]{other}{''.join(off)}")
    with hall.core() as core:
        topic, payload = "weirwatch/annexe/sump-node/connection", b'{"connected": false}'
        core.inbox.put(WireMessage(1, 1, 1, topic, payload, hall.clock.utc, False))
        core.loop.turn_once()
    assert hall.kinds("node-offline/annexe/sump-node") == ["raised"]
    assert hall.kinds("node-offline/harbour-hall/sump-node") == []


# --- rules that were edited or deleted -------------------------------------------------------


def test_a_deleted_rule_is_closed_on_record(hall: Hall) -> None:
    hall.write(CONFIG + LOW)
    with hall.core() as core:
        hall.level(core, 320)
        hall.command(core, "shelve", "sump-low", minutes=10)
    hall.write(CONFIG.replace('"sump-high"\ntitle', '"sump-too-high"\ntitle'))
    hall.clock.go(10)
    with hall.core() as core:
        shown = core.health.as_json()
    closing_events = [s.event for s in hall.events() if s.event.kind == "rule-deleted"]
    assert [(e.rule, e.from_state, e.to_state) for e in closing_events] == [
        ("sump-high", "unacknowledged", "normal"),
        ("sump-low", "normal", "normal"),
    ]
    assert shown["standing"] == 0
    with closing(SqliteArchive(hall.data / FILE_NAME)) as archive:
        assert not {"sump-high", "sump-low"} & set(archive.alarms())
    with hall.core():
        pass
    assert [s.event.kind for s in hall.events()].count("rule-deleted") == 2


@pytest.mark.parametrize(("high", "kinds"), [(315, []), (330, ["returned"])])
def test_an_edited_rule_is_judged_anew(hall: Hall, high: int, kinds: list[str]) -> None:
    with hall.core() as core:
        hall.level(core, 320)
    hall.write(CONFIG.replace("high = 310", f"high = {high}"))
    hall.clock.go(10)
    with hall.core() as core:
        assert hall.kinds("sump-high") == ["raised", "limits-changed"]
        hall.level(core, 318)  # above 315; within the deadband of 330 and yet not above it
    assert hall.kinds("sump-high") == ["raised", "limits-changed", *kinds]
    hall.clock.go(10)
    with hall.core():
        pass
    assert hall.kinds("sump-high").count("limits-changed") == 1
