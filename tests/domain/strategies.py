"""Random rules, readings and commands on small ranges, so that ties and edges happen."""

from dataclasses import dataclass

from hypothesis import strategies as st
from support.bench_engine import book

from weirwatch.domain.book import Book
from weirwatch.domain.instant import SECOND
from weirwatch.domain.operator import COMMANDS, Command
from weirwatch.domain.reading import Channel, Quality, Reading
from weirwatch.domain.rule import (
    Absolute,
    AlarmStands,
    BadMeasurement,
    Between,
    ChannelBeyond,
    ChannelIs,
    Condition,
    Deviation,
    Discrepancy,
    Duty,
    Forecast,
    RateOfChange,
    Rule,
    Side,
    SwitchIs,
    While,
)

TICK = 60 * SECOND  # a minute, so that times of day fall between ticks too
LEVEL, FLOW, MAINS = "hall/node/level", "hall/node/flow", "hall/node/mains"
LONGEST = 30  # ticks

ticks = st.integers(0, 5)
sides = st.sampled_from(Side)
values = st.integers(-1, 11).map(float)  # 0 to 10 is valid: the ends are outside
limits = st.integers(2, 8).map(float)
deadbands = st.sampled_from([0.0, 1.0, 2.0])


@dataclass(frozen=True)
class World:
    """Rules and channels, before they are made ready."""

    rules: tuple[Rule, ...]
    channels: tuple[Channel, ...]

    @property
    def book(self) -> Book:
        return book(self.rules, self.channels)


@st.composite
def worlds(draw: st.DrawFn, most: int = 4) -> World:
    count = draw(st.integers(1, most))
    idents = draw(st.permutations([f"r{n}" for n in range(count)]))
    made = [draw(rules(ident, idents[:n], idents)) for n, ident in enumerate(idents)]
    return World(
        tuple(draw(st.permutations(made))),
        (
            draw(channels(LEVEL)),
            draw(channels(FLOW)),
            draw(channels(MAINS, quantity="switch")),
        ),
    )


@st.composite
def channels(draw: st.DrawFn, ident: str, quantity: str = "level") -> Channel:
    every = draw(st.sampled_from([None, 1, 2]))
    return Channel(
        id=ident,
        quantity=quantity,
        expected_every=None if every is None else every * TICK,
        silent_after=None if every is None else (every + 1) * TICK,
        valid=None if quantity == "switch" else draw(st.sampled_from([None, (0.0, 10.0)])),
    )


@st.composite
def rules(draw: st.DrawFn, ident: str, earlier: list[str], every: list[str]) -> Rule:
    channel = draw(st.sampled_from([LEVEL, LEVEL, FLOW, MAINS]))
    condition = draw(conditions(channel))
    causes = st.lists(st.sampled_from(earlier), max_size=2, unique=True) if earlier else st.just([])
    shown = draw(st.lists(terms(ident, every), max_size=2))
    bold = draw(st.sampled_from([False, False, False, True]))
    return Rule(
        id=ident,
        title=ident,
        kind="absolute",
        condition=condition,
        failure="sump-high",
        channel=channel,
        while_=tuple(shown),
        on_delay=draw(ticks) * TICK,
        off_delay=draw(ticks) * TICK,
        latching=draw(st.booleans()),
        re_alarm=draw(st.sampled_from([0, 0, 3 * TICK])),
        suppressed_by=tuple(draw(causes)),
        hold_off=draw(ticks) * TICK,
        shelve_max=10 * TICK,
        bold=bold,
    )


def conditions(channel: str) -> st.SearchStrategy[Condition]:
    bad = st.builds(
        BadMeasurement,
        silent=st.booleans(),
        frozen=st.sampled_from([None, None, 2 * TICK, 3 * TICK]),
        outside_valid=st.booleans(),
    )
    within = ticks.map(lambda n: n * TICK)
    if channel == MAINS:
        expected = st.builds(Discrepancy, within, expected=st.booleans())
        window = st.integers(4, 12).map(lambda n: n * TICK)
        some = st.integers(1, 4)
        duty = st.one_of(
            st.builds(Duty, window, on_for=some.map(lambda n: n * TICK)),
            st.builds(Duty, window, starts=some),
            st.builds(Duty, window, on_for=some.map(lambda n: n * TICK), starts=some),
        )
        return st.one_of(st.builds(SwitchIs, st.booleans()), expected, bad, duty)
    low, high = st.integers(2, 4).map(float), st.integers(5, 8).map(float)
    number = st.one_of(
        st.builds(Discrepancy, within, minimum=low, deadband=deadbands),
        st.builds(Discrepancy, within, minimum=low, maximum=high, deadband=deadbands),
    )
    twin = FLOW if channel == LEVEL else LEVEL
    deviation = st.one_of(
        st.builds(Deviation, low, deadbands, set_value=high),
        st.builds(Deviation, low, deadbands, twin=st.just(twin)),
    )
    absolute = st.builds(Absolute, sides, limits, deadbands)
    window = st.integers(2, 10).map(lambda n: n * TICK)
    rate = st.builds(RateOfChange, window, st.just(2.0), st.none() | st.just(3.0), deadbands)
    forecast = st.builds(
        Forecast, sides, limits, st.integers(1, 20).map(lambda n: n * TICK), window
    )
    return st.one_of(absolute, absolute, number, deviation, bad, rate, forecast)


def terms(ident: str, every: list[str]) -> st.SearchStrategy[While]:
    others = [other for other in every if other != ident]
    choices: list[st.SearchStrategy[While]] = [
        st.builds(ChannelIs, st.just(MAINS), st.booleans()),
        st.builds(ChannelBeyond, st.sampled_from([LEVEL, FLOW]), sides, limits),
        st.builds(Between, st.integers(0, 20), st.integers(0, 20)),
    ]
    if others:
        choices.append(st.builds(AlarmStands, st.sampled_from(others)))
    return st.one_of(choices)


@st.composite
def readings(draw: st.DrawFn) -> Reading:
    channel = draw(st.sampled_from([LEVEL, LEVEL, FLOW, MAINS]))
    return Reading(
        channel,
        draw(st.integers(0, LONGEST)) * TICK,
        float(draw(st.booleans())) if channel == MAINS else draw(values),
        draw(st.sampled_from([Quality.GOOD] * 4 + [Quality.UNCERTAIN, Quality.BAD])),
    )


@st.composite
def dense_readings(draw: st.DrawFn) -> list[Reading]:
    """One channel nearly every tick, which single readings seldom give."""
    channel = draw(st.sampled_from([LEVEL, FLOW, MAINS]))
    drawn = st.booleans().map(float) if channel == MAINS else values
    start = draw(st.integers(0, 10))
    line = [draw(drawn), *draw(st.lists(st.none() | drawn, min_size=3, max_size=15))]
    return [
        Reading(channel, (start + n) * TICK, value)
        for n, value in enumerate(line)
        if value is not None
    ]


@st.composite
def commands(draw: st.DrawFn) -> tuple[int, Command]:
    name = draw(st.sampled_from(["acknowledge", *COMMANDS]))
    minutes = draw(st.sampled_from([None, None, 1.0, 2.0, 5.0, 11.0, 0.0]))
    return draw(st.integers(0, LONGEST)) * TICK, Command(
        name,
        f"r{draw(st.integers(0, 3))}",
        "tester",
        comment=draw(st.sampled_from(["", "why"])),
        minutes=minutes,
        check_in_minutes=draw(st.sampled_from([None, None, 5.0]))
        if name in ("acknowledge", "check-in")
        else None,
    )


@dataclass(frozen=True)
class Story:
    """A world and what happens in it."""

    world: World
    readings: tuple[Reading, ...]
    commands: tuple[tuple[int, Command], ...]
    until: int

    @property
    def start(self) -> int:
        return min([r.time for r in self.readings] + [time for time, _ in self.commands])


@st.composite
def _stories(draw: st.DrawFn) -> Story:
    scattered = draw(st.lists(readings(), max_size=12))
    dense = draw(st.lists(dense_readings(), min_size=1, max_size=3))
    return Story(
        draw(worlds()),
        (*scattered, *(reading for line in dense for reading in line)),
        tuple(draw(st.lists(commands(), max_size=8))),
        draw(st.integers(10, LONGEST + 10)) * TICK,
    )


stories = _stories()
