"""What an operator may do, and what each command leaves on record."""

from typing import Any

import pytest
from domain.engine_run import EngineRun
from support.bench_engine import LEVEL, book, channel, command, rule, run, seen, told

from weirwatch.domain.alarm import AlarmState, Event
from weirwatch.domain.instant import micros
from weirwatch.domain.operator import Command
from weirwatch.domain.reading import Reading
from weirwatch.pipeline.replay import Refusal, replay

ALARM = seen([(0, 11)])


def outcome(*commands: tuple[int, Command], until: float = 10_000) -> list[Event | Refusal]:
    made = book([rule()], [channel()])
    return list(replay(made, ALARM, list(commands), micros(until)))


def test_every_command_carries_who_and_why() -> None:
    events = run(
        book([rule(latching=True)], [channel()]),
        seen([(0, 11), (60, 5)]),
        [
            command(1, "acknowledge", comment="seen"),
            command(2, "shelve", minutes=5, comment="work"),
            command(3, "unshelve", comment="work done"),
            command(4, "remove-from-service", comment="probe out"),
            command(5, "return-to-service", comment="probe in"),
            command(61, "reset", comment="all dry"),
        ],
    )
    given = [(e.kind, e.who, e.comment) for e in events if e.who]
    assert given == [
        ("acknowledged", "tester", "seen"),
        ("shelved", "tester", "work"),
        ("unshelved", "tester", "work done"),
        ("removed-from-service", "tester", "probe out"),
        ("returned-to-service", "tester", "probe in"),
        ("reset", "tester", "all dry"),
    ]


def test_back_in_service_a_standing_unacknowledged_alarm_is_announced_again() -> None:
    shelved = outcome(command(5, "shelve"), command(9, "unshelve"))
    removed = outcome(
        command(5, "remove-from-service", comment="probe out"), command(9, "return-to-service")
    )
    for found in (shelved, removed):
        last = found[-1]
        assert isinstance(last, Event)
        assert (last.time, last.annunciated) == (micros(9), True)


def test_shelving_again_begins_the_time_anew() -> None:
    found = outcome(command(0, "shelve", minutes=1), command(50, "shelve", minutes=1))
    assert told([e for e in found if isinstance(e, Event)])[-1] == (
        110,
        "unshelved",
        "unacknowledged",
        True,
    )


def test_out_of_service_for_a_time_ends_by_itself_and_without_one_never() -> None:
    timed = outcome(command(1, "remove-from-service", comment="probe out", minutes=2))
    assert timed[-1].time == micros(121)
    open_end = outcome(command(1, "remove-from-service", comment="probe out"), until=10**6)
    assert open_end[-1].time == micros(1)


@pytest.mark.parametrize(
    ("name", "more", "words"),
    [
        ("unshelve", {}, "it is not shelved"),
        ("return-to-service", {}, "it is not out of service"),
        ("reset", {}, "only a latched alarm"),
        ("remove-from-service", {"comment": "  "}, "say in the comment why"),
        ("shelve", {"minutes": 0.0}, "give more than 0"),
        ("acknowledge", {"check_in_minutes": -1.0}, "check_in_minutes = -1: give more than 0"),
        ("acknowledge", {"check_in_minutes": float("inf")}, "at most a year"),
        ("dance", {}, "there is no command 'dance': use one of acknowledge, check-in"),
    ],
)
def test_what_is_refused_says_why(name: str, more: dict[str, Any], words: str) -> None:
    refusal = outcome(command(5, name, **more))[-1]
    assert isinstance(refusal, Refusal)
    assert words in refusal.sentence


def test_twice_out_of_service_and_shelving_while_out_are_refused() -> None:
    out = command(1, "remove-from-service", comment="probe out")
    again = command(2, "remove-from-service", comment="again")
    for refused in (again, command(2, "shelve")):
        assert isinstance(outcome(out, refused)[-1], Refusal)


def test_a_check_in_renews_the_acknowledgement_and_postpones_the_re_alarm() -> None:
    made = book([rule(re_alarm=100)], [channel()])
    commands = [
        command(1, "acknowledge"),
        command(90, "check-in", comment="here", check_in_minutes=2),
    ]
    events = run(made, seen([(0, 20)]), commands, until=400)
    assert [(at, kind) for at, kind, _, _ in told(events)] == [
        (0, "raised"),
        (1, "acknowledged"),
        (90, "checked-in"),
        (210, "re-alarmed"),
    ]
    assert (events[2].who, events[2].comment, events[2].annunciated) == ("tester", "here", False)


def test_of_what_is_over_already_nobody_waits_for_a_word() -> None:
    engine = EngineRun(book([rule()], [channel()]), 0)
    for second, value in ((0, 20.0), (60, 1.0)):
        engine.advance(micros(second))
        engine.reading(Reading(LEVEL, micros(second), value))
    engine.now = micros(70)
    engine.command(command(70, "acknowledge", check_in_minutes=30)[1])
    alarm = engine.state.alarms["high"]
    assert (alarm.state, alarm.check_in_at) == (AlarmState.NORMAL, None)


@pytest.mark.parametrize("before", [[], [(0.0, 20.0)]])
def test_nobody_checks_in_who_has_not_acknowledged(before: list[tuple[float, float]]) -> None:
    found = list(replay(book([rule()], [channel()]), seen(before), [command(5, "check-in")], None))
    (refusal,) = [item for item in found if isinstance(item, Refusal)]
    assert "only an acknowledged alarm that still stands" in refusal.sentence
