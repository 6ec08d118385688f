"""The loop while commits fail: nothing acknowledged, nobody told, the same group tried again."""

import random
import threading
import time
from pathlib import Path

import pytest
from support.loop_world import LEVEL, World
from support.still_clock import NOON

from weirwatch.domain.alarm import Event
from weirwatch.domain.reading import Reading
from weirwatch.pipeline.inbox import Question
from weirwatch.pipeline.replay import replay


def acks(world: World) -> list[int]:
    return [message.mid for message in world.transport.acked]


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


def test_what_waits_meanwhile_does_not_keep_it_turning(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    turns: list[int] = []
    turn_once = world.loop.turn_once

    def counted() -> None:
        turns.append(1)
        turn_once()

    monkeypatch.setattr(world.loop, "turn_once", counted)
    world.journal.failures = 1
    world.level(320)
    world.turn()
    world.level(300)  # arrives meanwhile
    thread = threading.Thread(target=world.loop.run)
    thread.start()
    try:
        ends = time.monotonic() + 60
        while not turns:
            assert time.monotonic() < ends
            time.sleep(0.01)
        time.sleep(0.3)
        assert len(turns) < 20
        question = Question(lambda _state, _now: {"there": True})
        world.inbox.ask(question)
        assert question.answer.result(60) == {"there": True}
        ends = time.monotonic() + 60
        while acks(world) != [1, 2] and time.monotonic() < ends:
            world.clock.go(1)
            time.sleep(0.02)
    finally:
        world.loop.stop()
        thread.join(60)
    assert not thread.is_alive()
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
