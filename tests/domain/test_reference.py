"""The engine against an independent, deliberately naive model of the same rules."""

from collections.abc import Sequence

from domain.engine_run import EngineRun, feed
from domain.reference_model import Model, Row, run_model
from domain.strategies import (
    FLOW,
    LEVEL,
    LONGEST,
    MAINS,
    TICK,
    Story,
    World,
    commands,
    stories,
    values,
    worlds,
)
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from weirwatch.domain.alarm import Event
from weirwatch.domain.operator import Command
from weirwatch.domain.reading import Quality, Reading
from weirwatch.domain.rule import BadMeasurement
from weirwatch.pipeline.replay import Refusal, replay

unhurried = settings(
    deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much]
)


def rows_of(events: Sequence[Event], ident: str) -> list[Row]:
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
            e.late,
        )
        for e in events
        if e.rule == ident
    ]


def model_of(world: World, start: int) -> Model:
    return Model(world.rules, {c.id: c for c in world.channels}, TICK, start)


def check(
    world: World,
    readings: Sequence[Reading],
    given_: Sequence[tuple[int, Command]],
    until: int,
) -> None:
    first = min([r.time for r in readings] + [time for time, _ in given_])
    until = max(until, first)
    found = list(replay(world.book, readings, given_, until))
    events = [f for f in found if isinstance(f, Event)]
    model = run_model(
        model_of(world, first),
        [r for r in readings if r.time <= until],
        [c for c in given_ if c[0] <= until],
        until,
    )
    for one in world.rules:
        assert rows_of(events, one.id) == [row for row in model.rows if row.rule == one.id]
    assert [f.time for f in found if isinstance(f, Refusal)] == model.refused
    assert [e.time for e in events] == sorted(e.time for e in events)


@unhurried
@given(stories)
def test_replay_gives_the_transitions_of_the_reference(story: Story) -> None:
    check(story.world, story.readings, story.commands, story.until)


@unhurried
@given(stories)
def test_quiet_bands_change_no_event(story: Story) -> None:
    quick = EngineRun(story.world.book, story.start)
    slow = EngineRun(story.world.book, story.start, bands=False)
    feed([quick, slow], story.readings, story.commands, story.until)
    assert quick.events == slow.events
    assert quick.state.alarms == slow.state.alarms
    assert quick.state.observed == slow.state.observed


@unhurried
@given(stories, st.data())
def test_a_restart_with_no_delay_pending_changes_no_event(
    story: Story, data: st.DataObject
) -> None:
    # Silence is counted from the start on, so what looks for silence always waits.
    silent = [
        one
        for one in story.world.rules
        if isinstance(one.condition, BadMeasurement) and one.condition.silent
    ]
    assume(not silent)
    stop = data.draw(st.integers(0, LONGEST)) * TICK
    through, broken = (EngineRun(story.world.book, story.start) for _ in range(2))
    earlier = [r for r in story.readings if r.time <= stop]
    feed([through, broken], earlier, [c for c in story.commands if c[0] <= stop], stop)
    assume(all(alarm.count_since is None for alarm in through.state.alarms.values()))
    broken.restart(stop)
    later = [r for r in story.readings if r.time > stop]
    feed([through, broken], later, [c for c in story.commands if c[0] > stop], story.until)
    assert broken.events == through.events
    assert broken.state.alarms == through.state.alarms


class EngineBesideReference(RuleBasedStateMachine):
    """Readings, commands, broken connections and losses of power, in any order."""

    @initialize(world=worlds())
    def begin(self, world: World) -> None:
        self.world = world
        self.engine = EngineRun(world.book, 0)
        self.model = model_of(world, 0)

    @rule(ticks=st.integers(1, 4))
    def wait(self, ticks: int) -> None:
        for run in (self.engine, self.model):
            run.advance(run.now + ticks * TICK)

    @rule(
        channel=st.sampled_from([LEVEL, LEVEL, FLOW, MAINS]),
        value=values,
        quality=st.sampled_from([Quality.GOOD] * 4 + [Quality.UNCERTAIN, Quality.BAD]),
        ticks=st.integers(0, 2),
    )
    def read(self, channel: str, value: float, quality: Quality, ticks: int) -> None:
        value = float(value > 5) if channel == MAINS else value
        for run in (self.engine, self.model):
            run.advance(run.now + ticks * TICK)
            run.reading(Reading(channel, run.now, value, quality))

    @rule(timed=commands())
    def give(self, timed: tuple[int, Command]) -> None:
        self.engine.command(timed[1])
        self.model.command(timed[1])

    @rule(up=st.booleans())
    def link(self, up: bool) -> None:
        self.engine.link(up)
        self.model.link(up)

    @rule(down=st.integers(0, 6))
    def lose_power(self, down: int) -> None:
        self.engine.restart(self.engine.now + down * TICK)
        self.model.restart(self.model.now + down * TICK)

    @invariant()
    def same_record(self) -> None:
        if not hasattr(self, "world"):
            return
        for one in self.world.rules:
            expected = [row for row in self.model.rows if row.rule == one.id]
            assert rows_of(self.engine.events, one.id) == expected
            life, alarm = self.model.lives[one.id], self.engine.state.alarms[one.id]
            assert (alarm.state, alarm.service_state) == (life.state, life.service)
        assert self.engine.refused == self.model.refused


TestEngineBesideReference = EngineBesideReference.TestCase
TestEngineBesideReference.settings = settings(unhurried, stateful_step_count=30, max_examples=60)
