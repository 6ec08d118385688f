"""From alarms to notices: rosters, escalation, silence and returns, in virtual time, on a file."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from support.call_world import PEOPLE, ROSTER, CallWorld

RULE = "disk-full"  # high, raised at once
Make = Callable[..., CallWorld]


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Make]:
    made: list[CallWorld] = []

    def make(text: str = PEOPLE + ROSTER, at: str = "") -> CallWorld:
        made.append(CallWorld(tmp_path, text, at))
        return made[-1]

    yield make
    for world in made:
        world.journal.close()


def raised(world: CallWorld, rule: str = RULE) -> CallWorld:
    world.condition(rule, "no room is left")
    return world


def test_without_a_roster_everybody_at_once_and_once(make: Make) -> None:
    world = raised(make(PEOPLE)).go(24 * 60)
    world.condition(RULE, None)
    assert world.go(60).line() == [
        (0, "call", "keeper"),
        (0, "call", "neighbour"),
        (0, "call", "record"),
    ]


def test_until_acknowledged_by_anyone_then_silence_for_all(make: Make) -> None:
    world = raised(make()).go(21)
    world.command("acknowledge", RULE)
    assert world.go(24 * 60).line() == [
        (0, "call", "keeper"),
        (0, "call", "record"),
        (5, "repeat", "keeper"),
        (15, "next", "neighbour"),
        (20, "repeat", "neighbour"),
    ]
    assert len({notice.id for notice in world.notices}) == 5
    assert {notice.event_seq for notice in world.notices} == {1}


def test_the_return_is_told_once_to_whoever_was_told(make: Make) -> None:
    world = raised(make()).go(3)
    world.command("acknowledge", RULE)
    world.go(60)
    world.condition(RULE, None)
    assert world.go(600).line() == [
        (0, "call", "keeper"),
        (0, "call", "record"),
        (63, "returned", "keeper"),
        (63, "returned", "record"),
    ]
    assert world.notices[-1].text.startswith(
        "Returned to normal: HIGH: Disk full at 13:03\nSince 2026-05-01 13:03:00 UTC"
    )


def test_a_return_ends_an_unacknowledged_call(make: Make) -> None:
    world = raised(make()).go(3)
    world.condition(RULE, None)
    assert [why for _, why, _ in world.go(60).line()] == ["call", "call", "returned", "returned"]
    raised(world)
    assert world.line()[4:] == [(63, "call", "keeper"), (63, "call", "record")]


def test_nobody_told_nobody_told_of_the_return(make: Make) -> None:
    world = raised(make(at="2026-05-01T23:00:00Z")).go(60)
    world.condition(RULE, None)
    assert world.go(24 * 60).line() == []


def test_quiet_hours_wait_until_they_end(make: Make) -> None:
    world = raised(make(at="2026-05-01T23:00:00Z"))
    assert world.go(8 * 60 + 1).line() == [(480, "call", "keeper"), (480, "call", "record")]


def test_acknowledged_in_quiet_hours_nobody_is_called(make: Make) -> None:
    world = raised(make(at="2026-05-01T23:00:00Z")).go(5)
    world.command("acknowledge", RULE)
    assert world.go(24 * 60).line() == []


def test_shelved_is_silent_and_told_again_after(make: Make) -> None:
    world = raised(make()).go(1)
    world.command("shelve", RULE, minutes=60)
    line = world.go(62).line()
    assert line[2:] == [(61, "call", "keeper"), (61, "call", "record")]


def test_a_missed_check_in_calls_the_next_person(make: Make) -> None:
    world = raised(make()).go(1)
    world.command("acknowledge", RULE, check_in=30)
    assert world.go(31).line()[2:] == [(31, "check-in-missed", "neighbour")]
    assert world.notices[-1].text.startswith("keeper has not checked in: HIGH: Disk full: no")


def test_a_later_check_in_renews_the_promise(make: Make) -> None:
    world = raised(make()).go(1)
    world.command("acknowledge", RULE, check_in=30)
    world.go(20)
    world.command("check-in", RULE, check_in=40)
    assert world.go(39).line()[2:] == []
    assert world.go(1).line()[2:] == [(61, "check-in-missed", "neighbour")]


def test_a_check_in_without_a_time_ends_the_waiting(make: Make) -> None:
    world = raised(make()).go(1)
    world.command("acknowledge", RULE, check_in=30)
    world.go(20)
    world.restart()
    world.command("check-in", RULE)
    assert world.go(24 * 60).line()[2:] == []


def test_a_late_check_in_silences_whoever_was_called_for_it(make: Make) -> None:
    world = raised(make()).go(1)
    world.command("acknowledge", RULE, check_in=30)
    world.go(35)
    world.command("check-in", RULE, check_in=60)
    assert [(at, why) for at, why, _ in world.go(59).line()[2:]] == [(31, "check-in-missed")]
    assert [why for _, why, _ in world.go(1).line()[3:]] == ["check-in-missed"] * 2  # everybody


def test_returned_in_time_nobody_misses_a_check_in(make: Make) -> None:
    world = raised(make()).go(1)
    world.command("acknowledge", RULE, check_in=30)
    world.go(20)
    world.condition(RULE, None)
    assert [why for _, why, _ in world.go(600).line()[2:]] == ["returned", "returned"]


def test_killed_in_between_it_goes_on_where_it_was(make: Make) -> None:
    world = raised(make())
    for _ in range(25):
        world.go(1)
        world.restart()
    world.command("acknowledge", RULE, check_in=30)
    world.restart()
    world.go(31)
    world.restart()
    world.condition(RULE, None)
    world.restart()
    assert world.go(600).line() == [
        (0, "call", "keeper"),
        (0, "call", "record"),
        (5, "repeat", "keeper"),
        (15, "next", "neighbour"),
        (20, "repeat", "neighbour"),
        (55, "check-in-missed", "keeper"),
        (55, "check-in-missed", "neighbour"),
        (56, "returned", "keeper"),
        (56, "returned", "record"),
        (56, "returned", "neighbour"),
    ]
    assert len({notice.id for notice in world.notices}) == 10


def test_on_holiday_the_stand_in_is_told(make: Make) -> None:
    holiday = (
        '[[holiday]]\nrecipient = "keeper"\nstand_in = "neighbour"\n'
        "from = 2026-05-01\nuntil = 2026-05-01\n"
    )
    world = raised(make(PEOPLE + ROSTER + holiday)).go(6)
    assert [(at, to) for at, _, to in world.line()] == [
        (0, "neighbour"),
        (0, "record"),
        (5, "neighbour"),
    ]


def test_what_a_roster_does_not_serve_goes_to_everybody(make: Make) -> None:
    text = PEOPLE + ROSTER + 'priorities = ["critical"]\n'
    world = raised(make(text)).go(600)
    assert [to for _, _, to in world.line()] == ["keeper", "neighbour", "record"]


def test_a_roster_that_left_the_file(make: Make) -> None:
    world = raised(make()).go(1)
    world.journal.close()
    other = CallWorld(world.folder, PEOPLE + ROSTER.replace("all-hours", "new"))
    assert other.go(6).line() == [(5, "repeat", "keeper")]
    other.journal.close()
    world.open()
    bare = CallWorld(world.folder, PEOPLE)
    assert bare.go(600).line() == []
    assert bare.builder.next_call() is None
    bare.journal.close()


SUPPRESSED = (
    PEOPLE
    + ROSTER
    + '[[rule]]\nid = "disk-full"\nkind = "system"\non_delay_s = 120\n'
    + 'suppressed_by = ["broker-lost"]\nhold_off_s = 60\n'
)


def test_suppressed_by_design_it_is_silent_until_released(make: Make) -> None:
    world = make(SUPPRESSED)
    world.condition(RULE, "no room is left")
    world.go(2)
    assert world.line() == [(2, "call", "keeper"), (2, "call", "record")]
    world.condition("broker-lost", "no connection")
    world.go(60)
    world.condition("broker-lost", None)
    world.go(10)
    line = [item for item, notice in zip(world.line(), world.notices, strict=True)
            if "Disk" in notice.text]  # fmt: skip
    # Broker lost stands from minute 3 to 62, released a minute later; five minutes after that.
    assert line[2:] == [(68, "repeat", "keeper")]


def test_suppressed_in_quiet_hours_it_is_not_forgotten(make: Make) -> None:
    world = make(SUPPRESSED, at="2026-05-01T23:00:00Z")
    world.condition(RULE, "no room is left")
    world.go(3)
    world.condition("broker-lost", "no connection")
    world.go(10)
    world.condition("broker-lost", None)
    world.go(8 * 60)
    told = [(at, n.recipient) for (at, _, _), n in zip(world.line(), world.notices, strict=True)
            if "Disk" in n.text]  # fmt: skip
    assert told[:2] == [(480, "keeper"), (480, "record")]
