"""The loop: durable first, then acknowledged and told; commands and its thread."""

import threading
import time
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest
from support.loop_world import World
from support.still_clock import NOON, HandClock

from weirwatch.domain.errors import IllegalCommand, TransientError, UnknownRule
from weirwatch.domain.instant import SECOND
from weirwatch.domain.operator import Command
from weirwatch.pipeline.inbox import CommandRequest, ConditionRequest, Question, answered, told
from weirwatch.pipeline.loop import ALIVE_EVERY, BATCH
from weirwatch.ports import Group


def acks(world: World) -> list[int]:
    return [message.mid for message in world.transport.acked]


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


def test_a_delay_that_began_without_a_message_is_kept_at_once(world: World) -> None:
    world.inbox.put(ConditionRequest("node-offline/hall-node", "it is gone"))
    world.turn()
    assert world.story == ["commit", ("ack", []), "told"]
    assert world.archive.alarms()["node-offline/hall-node"].count_since == NOON
    assert world.events() == []


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


def test_a_question_is_answered_at_once_even_while_commits_fail(world: World) -> None:
    world.level(320)
    world.journal.failures = 1
    world.turn()
    question = Question(lambda state, now: {"rules": len(state.alarms), "now": now})
    world.inbox.ask(question)
    world.turn(0.1)
    assert told(question, 0.01) == {"rules": len(world.book.entries), "now": world.clock.utc}
    assert world.transport.acked == []


def test_a_question_that_cannot_be_answered_harms_nobody_but_its_asker(world: World) -> None:
    question = Question(lambda state, _: {"state": state.alarms["nobody"].state})
    world.inbox.ask(question)
    world.level(320)
    world.turn()
    with pytest.raises(KeyError, match="nobody"):
        told(question, 0.01)
    assert acks(world) == [1]
    with pytest.raises(TransientError, match="the core is busy"):
        told(Question(lambda _state, _now: {}), 0.01)


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
            ends = time.monotonic() + 60
            while len(world.told) == before and time.monotonic() < ends:
                time.sleep(0.002)
    finally:
        world.loop.stop()
        thread.join(60)
    assert not thread.is_alive()
    assert [kind for kind, _ in world.kinds("sump-high")] == ["raised", "returned", "raised"]
    assert acks(world) == [1, 2, 3]
