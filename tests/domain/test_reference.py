"""The engine against an independent, deliberately naive model of the same rules."""

from collections.abc import Sequence
from typing import Any

from domain.reference_model import Row, run_model
from domain.strategies import TICK, World, stories
from hypothesis import HealthCheck, given, settings

from weirwatch.domain.alarm import Event
from weirwatch.domain.operator import Command
from weirwatch.domain.reading import Reading
from weirwatch.pipeline.replay import Refusal, replay

unhurried = settings(
    deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)


def rows_of(events: Sequence[Event], rule: str) -> list[Row]:
    return [
        Row(
            e.time,
            e.rule,
            e.kind,
            e.from_state,
            e.to_state,
            e.service_from,
            e.service_to,
            e.value,
            e.annunciated,
            "measurement lost" in e.message and e.kind == "raised",
        )
        for e in events
        if e.rule == rule
    ]


@unhurried
@given(stories)
def test_replay_gives_the_transitions_of_the_reference(story: Any) -> None:
    world, scattered, dense, commands, until = story
    readings = list(scattered) + [reading for line in dense for reading in line]
    check(world, readings, commands, until)


def check(
    world: World, readings: list[Reading], commands: list[tuple[int, Command]], until: int
) -> None:
    first = min([r.time for r in readings] + [time for time, _ in commands])
    until = max(until, first)
    found = list(replay(world.book, readings, commands, until))
    events = [f for f in found if isinstance(f, Event)]
    readings = [r for r in readings if r.time <= until]
    commands = [c for c in commands if c[0] <= until]
    channels = {c.id: c for c in world.channels}
    model = run_model(world.rules, channels, TICK, readings, commands, until)
    for rule in world.rules:
        expected = [row for row in model.rows if row.rule == rule.id]
        assert rows_of(events, rule.id) == expected
    assert [f.time for f in found if isinstance(f, Refusal)] == model.refused
    assert [e.time for e in events] == sorted(e.time for e in events)
