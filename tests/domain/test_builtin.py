"""Rules whose condition the service itself observes."""

from support.bench_engine import book, channel, rule, seen, told

from weirwatch.domain.alarm import Event
from weirwatch.domain.engine import (
    ConditionObserved,
    ReadingSeen,
    Stimulus,
    adopt,
    decide,
    due,
    next_call,
    start,
)
from weirwatch.domain.instant import micros
from weirwatch.domain.rule import BuiltIn, Rule


def lost(**more: float) -> Rule:
    return rule("broker-lost", BuiltIn(), kind="system", on_channel=None, **more)


def played(made: Rule, *stimuli: Stimulus, until: float) -> list[Event]:
    ready = book([made, rule()], [channel()])
    state, found = start({}, {}, ready, 0, link_up=True), list[Event]()
    for stimulus in stimuli:
        for deadline in due(state, ready, stimulus.now):
            decision = decide(state, deadline, ready)
            adopt(state, decision, ready)
            found.extend(decision.events)
        decision = decide(state, stimulus, ready)
        adopt(state, decision, ready)
        found.extend(decision.events)
    assert next_call(state) is None or next_call(state) == micros(until)
    for deadline in due(state, ready, micros(until)):
        decision = decide(state, deadline, ready)
        adopt(state, decision, ready)
        found.extend(decision.events)
    return found


def observed(second: float, message: str | None) -> ConditionObserved:
    return ConditionObserved("broker-lost", message, micros(second))


def test_it_is_raised_with_its_message_and_returns() -> None:
    events = played(lost(), observed(5, "gone"), observed(9, None), until=20)
    assert told(events) == [
        (5, "raised", "unacknowledged", True),
        (9, "returned", "returned-unacknowledged", False),
    ]
    assert (events[0].message, events[0].value, events[0].channel) == ("gone", None, "")


def test_its_delay_needs_no_reading() -> None:
    events = played(lost(on=30), observed(5, "gone"), until=35)
    assert told(events) == [(35, "raised", "unacknowledged", True)]
    assert played(lost(on=30), observed(5, "gone"), observed(20, None), until=35) == []


def test_a_reading_is_a_stimulus_like_any_other() -> None:
    reading = seen([(7, 11)])[0]
    events = played(lost(), ReadingSeen(reading, micros(7)), until=20)
    assert told(events) == [(7, "raised", "unacknowledged", True)]
