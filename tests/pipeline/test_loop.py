"""The loop: durable first, then acknowledged and told; nothing lost, nothing told twice."""

import random
import threading
import time
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest
from support.loop_world import HALL_NODE, LEVEL, SUMP_NODE, World
from support.still_clock import NOON, HandClock

from weirwatch.domain.alarm import Event
from weirwatch.domain.errors import IllegalCommand, TransientError, UnknownRule
from weirwatch.domain.instant import SECOND
from weirwatch.domain.operator import Command
from weirwatch.domain.reading import Quality, Reading
from weirwatch.pipeline.inbox import (
    CommandRequest,
    ConditionRequest,
    LinkRequest,
    ServiceEventRequest,
)
from weirwatch.pipeline.loop import ALIVE_EVERY, BATCH, answered
from weirwatch.pipeline.replay import replay
from weirwatch.ports import Group


def acks(world: World) -> list[int]:
    return [message.mid for message in world.transport.acked]


def trusts_clock(world: World) -> bool:
    return world.decoder.trust_clock


# --- when is a group committed, and what comes before what? ----------------------------------


def test_acknowledged_after_the_commit_in_order_of_arrival(tmp_path: Path) -> None:
    world = World(tmp_path, commit_unacked=3)
    for value in (200.0, 201.0, 202.0):
        world.level(value)
        world.clock.go(1)
    world.turn()
    assert world.story == ["commit", ("ack", [1, 2, 3]), "told"]
    # Another connection saw the readings at the moment of the acknowledgement.
    assert world.transport.stored_at_ack == [3]
    world.close()


def test_so_many_waiting_messages_force_a_commit(world: World) -> None:
    for _ in range(9):
        world.level(200)
        world.turn(0.1)
    assert world.story == []
    world.level(200)
    world.turn(0.1)
    assert world.story == ["commit", ("ack", list(range(1, 11))), "told"]


def test_so_long_a_wait_of_the_oldest_forces_a_commit(world: World) -> None:
    world.level(200)
    world.turn()
    world.turn(4)
    world.level(201)
    world.turn(0.999)
    assert world.story == []
    world.turn(0.001)
    assert world.story == ["commit", ("ack", [1, 2]), "told"]
    # The next group waits for its own five seconds.
    world.level(202)
    world.turn(4.9)
    world.turn(4.9)
    assert acks(world) == [1, 2]
    world.turn(0.1)
    assert acks(world) == [1, 2, 3]


def test_a_transition_forces_a_commit_at_once_with_what_waited(world: World) -> None:
    world.level(300)
    world.turn(1)
    assert world.story == []
    world.level(320)
    world.turn(1)
    assert world.story == ["commit", ("ack", [1, 2]), "told"]
    (group,) = world.told
    assert [row[2] for row in group.readings] == [300.0, 320.0]
    assert [event.kind for _, event in group.events] == ["raised"]
    assert [(n.id, n.recipient) for n in group.notices] == [("1-keeper", "keeper")]
    assert group.alarms["sump-high"].raised_value == 320.0


def test_a_deadline_without_any_reading_is_committed_at_once(world: World) -> None:
    world.level(90)
    world.turn()
    world.turn(29)
    assert acks(world) == [1]  # the reading alone, by its own time
    world.turn(3)
    assert world.kinds("sump-low") == [("raised", True)]
    stored = world.events()[0]
    # The event carries the deadline, not the moment in which the loop got to it.
    assert stored.event.time == NOON + 30 * SECOND
    assert stored.committed_at == NOON + 32 * SECOND


def test_a_turn_takes_so_many_items_and_no_more(tmp_path: Path) -> None:
    world = World(tmp_path, commit_unacked=10_000)
    for _ in range(BATCH + 1):
        world.level(200)
        world.clock.go(0.001)
    world.turn()
    assert len(world.inbox) == 1
    world.turn()
    assert len(world.inbox) == 0
    assert world.counters.messages == BATCH + 1
    world.close()


def test_nothing_to_commit_still_leaves_a_sign_of_life(world: World) -> None:
    world.turn(ALIVE_EVERY / SECOND - 1)
    assert world.story == []
    assert world.sqlite.restore().alive_at is None
    world.turn(1)
    assert world.story == ["commit", ("ack", []), "told"]
    assert world.sqlite.restore().alive_at == world.clock.utc
    world.turn(1)
    assert len(world.journal.commits) == 1


def test_the_same_message_again_is_counted_acknowledged_and_kept_once(world: World) -> None:
    for _ in range(3):
        world.put('[{"n":"level","t":1777636800,"v":200}]')
    world.turn()
    world.turn(5)
    assert acks(world) == [1, 2, 3]
    assert world.counters.duplicates == 2
    assert world.counters.readings == 3
    assert len(world.levels()) == 1


def test_what_cannot_be_used_is_kept_counted_and_acknowledged(world: World) -> None:
    world.put("not json")
    world.put('[{"n":"level","v":200},{"n":"nobody","v":1}]')
    world.turn()
    assert acks(world) == []
    world.turn(5)
    assert acks(world) == [1, 2]
    assert world.counters.quarantined == 2
    assert [q.code for q in world.archive.quarantined(9)] == ["unknown-channel", "not-senml"]
    assert world.counters.readings == 1


# --- a commit that fails ---------------------------------------------------------------------


def test_a_failing_commit_acknowledges_nothing_tells_nobody_and_is_tried_again(
    world: World,
) -> None:
    world.level(320)
    answer = world.command("acknowledge")
    world.journal.failures = 3
    world.turn()
    assert world.counters.last_commit_error.startswith("the disk is full")
    world.clock.go(0.1)
    world.level(300)  # arrives meanwhile: not taken, so not lost
    world.turn(0.399)
    assert world.story == ["refused"]
    world.turn(0.001)  # half a second after the first refusal
    world.turn(0.999)
    assert world.story == ["refused"] * 2
    world.turn(0.001)  # one second later
    world.turn(1.999)
    assert world.story == ["refused"] * 3
    assert not answer.done()
    assert world.transport.acked == []
    assert len(world.inbox) == 1
    world.turn(0.001)  # two seconds later
    assert world.story == ["refused"] * 3 + ["commit", ("ack", [1]), "told"]
    assert answer.result(0)["state"] == "acknowledged"
    assert world.counters.commit_failures == 3
    assert world.counters.last_commit_error == ""
    (group,) = world.told
    assert [row[2] for row in group.readings] == [320.0]
    assert [event.kind for _, event in group.events] == ["raised", "acknowledged"]
    assert [notice.id for notice in group.notices] == ["1-keeper"]
    world.turn()
    assert world.kinds("sump-high") == [
        ("raised", True),
        ("acknowledged", False),
        ("returned", False),
    ]
    assert acks(world) == [1, 2]


def test_the_pause_between_tries_has_an_end_and_begins_short_again(world: World) -> None:
    world.level(320)
    world.journal.failures = 12
    world.turn()
    pauses = []
    while world.journal.failures:
        before, waited = world.counters.commit_failures, 0.0
        while world.counters.commit_failures == before:
            waited += 0.5
            world.turn(0.5)
        pauses.append(waited)
    assert pauses == [0.5, 1, 2, 4, 8, 16, 30, 30, 30, 30, 30]
    world.turn(30)
    assert acks(world) == [1]
    world.level(300)
    world.journal.failures = 1
    world.turn()
    world.turn(0.5)
    assert acks(world) == [1, 2]


def test_a_full_disk_of_the_real_kind(tmp_path: Path) -> None:
    world = World(tmp_path, commit_unacked=500)
    world.turn()
    connection = world.sqlite._connection
    pages = connection.execute("PRAGMA page_count").fetchone()[0]
    connection.execute(f"PRAGMA max_page_count = {pages}")
    at = NOON / 1e6
    for first in range(0, 3000, 100):
        numbers = range(first, first + 100)
        records = [f'{{"n":"level","t":{at + n / 10},"v":{n % 50 + 200}}}' for n in numbers]
        world.clock.go(10)
        world.put(f"[{','.join(records)}]")
    world.level(320)
    world.turn()
    assert world.counters.commit_failures == 1
    assert "disk is full" in world.counters.last_commit_error
    assert (world.transport.acked, world.told, world.events()) == ([], [], [])
    connection.execute("PRAGMA max_page_count = 1073741823")
    world.turn(0.5)
    assert acks(world) == list(range(1, 32))
    assert world.transport.stored_at_ack == [3001]
    assert world.kinds("sump-high") == [("raised", True)]
    world.close()


def test_no_deadline_passes_into_a_group_that_is_being_tried_again(world: World) -> None:
    world.level(90)
    world.turn()
    world.turn(5)
    world.journal.failures = 1
    world.level(320)
    world.turn(24)
    world.turn(0.4)  # the deadline of nothing: the level is high now
    world.turn(0.1)
    assert world.kinds("sump-high") == [("raised", True)]
    assert world.kinds("sump-low") == []


@pytest.mark.parametrize("seed", range(6))
def test_whatever_fails_and_comes_again_all_is_kept_once_and_in_order(
    tmp_path: Path, seed: int
) -> None:
    """Random arrivals, redeliveries and refusals: an acknowledged reading is in the file."""
    chance = random.Random(seed)
    world = World(tmp_path, commit_unacked=chance.choice([1, 3, 10]))
    sent: dict[int, float] = {}  # own time → value
    arrived: list[int] = []
    for _ in range(250):
        action = chance.random()
        if action < 0.55:
            at, value = world.clock.utc, float(chance.randint(280, 330))
            if chance.random() < 0.1 and sent:
                at, value = chance.choice(list(sent.items()))  # redelivered
            sent.setdefault(at, value)
            arrived.append(world.put(f'[{{"n":"level","t":{at / 1e6:.6f},"v":{value}}}]'))
        elif action < 0.65:
            world.journal.failures = chance.randint(0, 2)
        else:
            world.turn(chance.choice([0.001, 0.3, 2.0]))
            known = world.archive.span(LEVEL)
            assert known is not None or not world.transport.acked
        world.clock.go(0.001)
    world.journal.failures = 0
    for _ in range(4):
        world.turn(31)
    assert acks(world) == arrived
    stored = world.levels()
    assert [(r.time, r.value) for r in stored] == sorted(sent.items())
    seqs = [stored_event.seq for stored_event in world.events()]
    assert seqs == list(range(1, len(seqs) + 1))
    told = [seq for group in world.told for seq, _ in group.events]
    assert told == seqs
    owed = [s.seq for s in world.events() if s.event.annunciated]
    assert [notice.event_seq for _, notice in world.archive.notices(0, 10_000)] == owed
    # It is what one run without any trouble decides on the same readings; only that what had to
    # wait for the disk for more than a minute counts as late, and is announced a little later.
    readings = [Reading(LEVEL, at, value) for at, value in sent.items()]
    undisturbed = [e for e in replay(world.book, readings, [], None) if isinstance(e, Event)]
    kept = [s.event for s in world.events() if s.event.kind != "announced"]
    assert [(e.time, e.kind, e.value) for e in kept] == [
        (e.time, e.kind, e.value) for e in undisturbed
    ]
    world.close()


# --- commands --------------------------------------------------------------------------------


def test_a_command_is_answered_after_its_commit(world: World) -> None:
    world.level(320)
    world.turn()
    answer = world.command("acknowledge")
    done_when: list[Any] = []
    answer.add_done_callback(lambda _: done_when.append(list(world.story)))
    world.story.clear()
    world.turn()
    assert done_when == [["commit", ("ack", [])]]
    shown = answer.result(0)
    assert (shown["id"], shown["state"]) == ("sump-high", "acknowledged")
    assert shown["acknowledged_by"] == "keeper"
    assert shown["safety_card"]["failure"] == "sump-high"


@pytest.mark.parametrize(
    ("name", "rule", "error", "words"),
    [
        ("acknowledge", "sump-low", IllegalCommand, "there is nothing to acknowledge"),
        ("reset", "sump-high", IllegalCommand, "only a latched alarm"),
        ("dance", "sump-high", IllegalCommand, "there is no command 'dance'"),
        ("acknowledge", "nobody", UnknownRule, "no rule has the id 'nobody'"),
    ],
)
def test_a_refused_command_changes_nothing(
    world: World, name: str, rule: str, error: type[Exception], words: str
) -> None:
    world.level(320)
    world.turn()
    before, story = dict(world.state.alarms), list(world.story)
    answer = world.command(name, rule)
    world.turn()
    with pytest.raises(error, match=words):
        answer.result(0)
    assert world.state.alarms == before
    assert world.story == story
    assert world.counters.commands_refused == 1
    assert len(world.events()) == 1


def test_who_waits_for_a_command_that_does_not_become_durable_is_told_so() -> None:
    request = CommandRequest(Command(name="acknowledge", rule="sump-high", who="keeper"))
    with pytest.raises(TransientError, match="not durable yet"):
        answered(request, 0.01)
    request.answer.set_result({"id": "sump-high"})
    assert answered(request, 0.01) == {"id": "sump-high"}
    refused: Future[dict[str, Any]] = Future()
    refused.set_exception(IllegalCommand("no"))
    with pytest.raises(IllegalCommand):
        answered(CommandRequest(request.command, refused), 0.01)


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


# --- the thread ------------------------------------------------------------------------------


def test_stop_commits_what_is_there_and_marks_an_orderly_stop(world: World) -> None:
    world.level(200)
    world.turn()
    world.level(201)  # still in the inbox
    world.loop.stop()
    world.loop.run()
    assert world.story == ["commit", ("ack", [1, 2]), "told"]
    restored = world.sqlite.restore()
    assert restored.clean_stop
    assert restored.alive_at == world.clock.utc


def test_a_stop_on_a_full_disk_acknowledges_nothing_and_is_no_orderly_stop(world: World) -> None:
    world.level(320)
    world.journal.failures = 2
    world.turn()
    world.level(300)
    world.loop.stop()
    world.loop.run()
    assert world.story == ["refused"] * 2
    assert world.transport.acked == []
    assert not world.sqlite.restore().clean_stop


def test_a_disk_that_fills_up_at_the_very_end_does_not_look_like_a_crash(world: World) -> None:
    world.level(200)
    world.loop.stop()
    original = world.loop._told

    def fill_up(group: Group) -> None:
        original(group)
        world.journal.failures = 1

    world.loop._told = fill_up
    world.loop.run()
    assert acks(world) == [1]
    assert not world.sqlite.restore().clean_stop


def test_it_sleeps_until_the_next_thing_is_due(world: World) -> None:
    patience = world.loop._patience
    world.turn()
    assert patience() == 1.0  # at most
    world.level(90)  # sump-low: a deadline in 30 s
    world.turn()
    world.turn(4.7)
    assert patience() == pytest.approx(0.3)  # commit_every
    world.turn(0.3)
    world.turn(24.4)
    assert patience() == pytest.approx(0.6)  # the deadline
    world.turn(0.6)
    assert world.kinds("sump-low") == [("raised", True)]
    world.journal.failures = 1
    world.level(320)
    world.turn()
    assert patience() == pytest.approx(0.5)  # the next try
    world.turn(0.2)
    assert patience() == pytest.approx(0.3)


def test_a_faster_clock_shortens_the_sleep(tmp_path: Path) -> None:
    world = World(tmp_path, clock=HandClock(speed=60.0))
    world.level(90)
    world.turn()
    world.turn(5)
    assert world.loop._patience() == pytest.approx(25 / 60)
    world.close()


def test_its_thread_wakes_for_what_arrives_and_ends_when_asked(world: World) -> None:
    thread = threading.Thread(target=world.loop.run)
    thread.start()
    try:
        for value in (320, 300, 320):
            world.clock.go(1)
            before = len(world.told)
            world.level(value)
            ends = time.monotonic() + 5
            while len(world.told) == before and time.monotonic() < ends:
                time.sleep(0.002)
    finally:
        world.loop.stop()
        thread.join(5)
    assert not thread.is_alive()
    assert [kind for kind, _ in world.kinds("sump-high")] == ["raised", "returned", "raised"]
    assert acks(world) == [1, 2, 3]
