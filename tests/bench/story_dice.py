"""What a story is drawn from: a small world of rules, and what happens in it."""

from collections.abc import Iterator
from dataclasses import dataclass
from random import Random
from typing import NamedTuple

from domain.strategies import FLOW, LEVEL, MAINS, TICK, World

from weirwatch.domain.operator import COMMANDS, Command
from weirwatch.domain.planned_work import NOT_ENDED, Check, PlannedWork
from weirwatch.domain.reading import Channel, Quality
from weirwatch.domain.rule import (
    Absolute,
    AlarmStands,
    BadMeasurement,
    Between,
    BuiltIn,
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

SIDES = list(Side)
QUALITIES = [Quality.GOOD] * 4 + [Quality.UNCERTAIN, Quality.BAD]


class Arrival(NamedTuple):
    """After `wait` ticks a reading arrives that is `age` ticks old."""

    channel: str
    wait: int
    age: int
    value: float
    quality: Quality = Quality.GOOD


class Wait(NamedTuple):
    """So many ticks pass."""

    ticks: int


class Link(NamedTuple):
    """The broker comes or goes."""

    up: bool


class Observed(NamedTuple):
    """The service observes the condition of a built-in rule."""

    rule: str
    present: bool


class Work(NamedTuple):
    """Somebody starts planned work, or ends it."""

    work: str
    minutes: float | None
    start: bool


class PowerLost(NamedTuple):
    """For so many ticks; `told`: what the service observes of itself as it starts again."""

    ticks: int
    told: tuple[Observed, ...]


Step = Arrival | Command | Wait | Link | Observed | Work | PowerLost


@dataclass(frozen=True)
class Scene:
    """Rules, channels and planned works."""

    world: World
    works: tuple[PlannedWork, ...] = ()


class Dice(Random):
    """Draws for stories."""

    def likely(self, chance: float) -> bool:
        """True so often."""
        return self.random() < chance

    def ticks(self, low: int, high: int) -> int:
        """So many ticks, in microseconds."""
        return self.randint(low, high) * TICK

    def level(self, low: int, high: int) -> float:
        """A whole number."""
        return float(self.randint(low, high))


# --- rules --------------------------------------------------------------------------------------


def scene(dice: Dice) -> Scene:
    """A world, and in every third one or two planned works."""
    made = world(dice)
    if dice.likely(0.67):
        return Scene(made)
    works = tuple(_work(dice, f"w{n}", made) for n in range(dice.randint(1, 2)))
    not_ended = Rule(NOT_ENDED, NOT_ENDED, "system", BuiltIn(), NOT_ENDED)
    return Scene(World((*made.rules, not_ended), made.channels), works)


def _work(dice: Dice, ident: str, made: World) -> PlannedWork:
    rules = [rule.id for rule in made.rules if not rule.bold]
    checks: list[Check] = [
        ChannelIs(MAINS, dice.likely(0.5)),
        ChannelBeyond(dice.choice([LEVEL, FLOW]), dice.choice(SIDES), dice.level(2, 8)),
    ]
    return PlannedWork(
        id=ident,
        title=ident,
        duration=dice.ticks(1, 6),
        settle=dice.ticks(0, 3),
        rules=tuple(dice.sample(rules, dice.randint(0, len(rules)))),
        checks=tuple(dice.sample(checks, dice.randint(0, 2))),
        longest=10 * TICK,
    )


def world(dice: Dice) -> World:
    """Up to four rules on three channels, or the service's own."""
    ids = [f"r{n}" for n in range(dice.randint(1, 4))]
    dice.shuffle(ids)
    made = [_rule(dice, ident, ids[:n], ids) for n, ident in enumerate(ids)]
    dice.shuffle(made)
    channels = (_channel(dice, LEVEL), _channel(dice, FLOW), _channel(dice, MAINS, "switch"))
    return World(tuple(made), channels)


def _channel(dice: Dice, ident: str, quantity: str = "level") -> Channel:
    every = dice.choice([None, 1, 2])
    return Channel(
        id=ident,
        quantity=quantity,
        expected_every=None if every is None else every * TICK,
        silent_after=None if every is None else (every + 1) * TICK,
        valid=None if quantity == "switch" else dice.choice([None, (0.0, 10.0)]),
    )


def _rule(dice: Dice, ident: str, earlier: list[str], every: list[str]) -> Rule:
    channel = dice.choice([LEVEL, LEVEL, FLOW, MAINS, MAINS, None])
    condition = _condition(dice, channel)
    return Rule(
        id=ident,
        title=ident,
        kind="absolute" if channel else "system",
        condition=condition,
        failure="sump-high",
        channel=channel,
        while_=tuple(_term(dice, ident, every) for _ in range(dice.choice([0, 0, 0, 1, 1, 2]))),
        on_delay=dice.choice([0, dice.ticks(0, 5)]),
        off_delay=dice.choice([0, dice.ticks(0, 5)]),
        latching=dice.likely(0.3),
        re_alarm=dice.choice([0, 0, 3 * TICK]),
        suppressed_by=tuple(dice.sample(earlier, min(len(earlier), dice.randint(0, 2)))),
        hold_off=dice.ticks(0, 5),
        shelve_max=10 * TICK,
        bold=dice.likely(0.25),
    )


def _condition(dice: Dice, channel: str | None) -> Condition:
    if channel is None:
        return BuiltIn()
    return _switch(dice) if channel == MAINS else _number(dice, channel)


def _bad(dice: Dice) -> Condition:
    frozen = dice.choice([None, None, 2 * TICK, 3 * TICK])
    return BadMeasurement(dice.likely(0.5), frozen, dice.likely(0.5))


def _switch(dice: Dice) -> Condition:
    limits = dice.choice([(True, False), (False, True), (True, True)])
    return dice.choice(
        [
            SwitchIs(dice.likely(0.5)),
            Discrepancy(dice.ticks(0, 5), expected=dice.likely(0.5)),
            _bad(dice),
            *2
            * [
                Duty(
                    dice.ticks(4, 12),
                    on_for=dice.ticks(1, 4) if limits[0] else None,
                    starts=dice.randint(1, 4) if limits[1] else None,
                )
            ],
        ]
    )


def _number(dice: Dice, channel: str) -> Condition:
    band, side, limit = dice.choice([0.0, 1.0, 2.0]), dice.choice(SIDES), dice.level(2, 8)
    low, high, window = dice.level(2, 4), dice.level(5, 8), dice.ticks(2, 10)
    return dice.choice(
        [
            Absolute(side, limit, band),
            Absolute(side, limit, band),
            Discrepancy(
                dice.ticks(0, 5), minimum=low, maximum=dice.choice([None, high]), deadband=band
            ),
            Deviation(low, band, set_value=high),
            Deviation(low, band, twin=FLOW if channel == LEVEL else LEVEL),
            _bad(dice),
            RateOfChange(window, 2.0, dice.choice([None, 3.0]), band),
            Forecast(side, limit, dice.ticks(1, 20), window),
        ]
    )


def _term(dice: Dice, ident: str, every: list[str]) -> While:
    terms: list[While] = [
        ChannelIs(MAINS, dice.likely(0.5)),
        ChannelBeyond(dice.choice([LEVEL, FLOW]), dice.choice(SIDES), dice.level(2, 8)),
        Between(dice.randint(0, 20), dice.randint(0, 20)),
    ]
    terms += [AlarmStands(other) for other in every if other != ident][:1]
    return dice.choice(terms)


# --- what happens -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Nodes:
    """How old readings are by channel as they come, in ticks; below 0: the node's clock is fast."""

    ages: dict[str, int]
    buffer: bool

    def age(self, dice: Dice, channel: str) -> int:
        """How old this one is."""
        usual = self.ages[channel]
        return usual + dice.randint(1, 6) if self.buffer and dice.likely(0.1) else usual


def story(dice: Dice, scene: Scene, count: int) -> list[Step]:
    """So many steps at least; in every second one readings come late."""
    late = dice.likely(0.5)
    usual = [0, 0, 0, 1, -1] if late else [0]
    world, works = scene.world, [work.id for work in scene.works]
    nodes = Nodes({channel.id: dice.choice(usual) for channel in world.channels}, late)
    built_in = [rule.id for rule in world.rules if isinstance(rule.condition, BuiltIn)]
    own = [rule for rule in built_in if rule != NOT_ENDED]
    steps: list[Step] = []
    while len(steps) < count:
        often = (12, 40, 8 * late, 12 * bool(works), 48)
        kind = dice.choices(("line", "single", "backlog", "work", "other"), often)[0]
        match kind:
            case "line":
                steps += _line(dice, nodes)
            case "single":
                steps.append(_single(dice, nodes))
            case "work":
                minutes = dice.choice([None, None, 1.0, 3.0, 6.0, 11.0])
                steps.append(Work(dice.choice(works), minutes, dice.likely(0.7)))
            case "backlog":
                steps += _backlog(dice, nodes)
            case _:
                steps.append(_other(dice, own))
    return steps


def _single(dice: Dice, nodes: Nodes) -> Step:
    channel, value = dice.choice([LEVEL, LEVEL, FLOW, MAINS]), dice.level(-1, 11)
    value = float(value > 5) if channel == MAINS else value
    wait, age = dice.randint(0, 2), nodes.age(dice, channel)
    return Arrival(channel, wait, age, value, dice.choice(QUALITIES))


def _line(dice: Dice, nodes: Nodes) -> Iterator[Step]:
    """One channel nearly every tick, as windows need it."""
    channel, value = dice.choice([LEVEL, FLOW, MAINS]), dice.level(0, 10)
    for _ in range(dice.randint(3, 14)):
        value = max(-1.0, min(11.0, value + dice.choice([-1, 0, 0, 1, 1])))
        shown = float(dice.likely(0.5)) if channel == MAINS else value
        yield Arrival(channel, dice.choice([1, 1, 1, 0, 2]), nodes.age(dice, channel), shown)


def _backlog(dice: Dice, nodes: Nodes) -> Iterator[Step]:
    """A node was away and delivers what it buffered, oldest first, in a batch or two."""
    channel, value = dice.choice([LEVEL, FLOW, MAINS]), dice.level(0, 10)
    age, away = dice.randint(2, 12), dice.randint(0, 8)
    if dice.likely(0.4):
        yield PowerLost(away, ()) if dice.likely(0.5) else Wait(away)
    while age > nodes.ages[channel]:
        wait = dice.choice([0, 0, 0, 0, 1])
        value = max(-1.0, min(11.0, value + dice.choice([-3, -1, 0, 1, 3])))
        shown = float(dice.likely(0.5)) if channel == MAINS else value
        yield Arrival(channel, wait, age, shown, dice.choice([Quality.GOOD, *QUALITIES]))
        age += wait - dice.choice([1, 1, 2, 0])


def _other(dice: Dice, own: list[str]) -> Step:
    kinds, often = ("wait", "command", "link", "power", "own"), (3, 3, 1, 2, 2 * bool(own))
    match dice.choices(kinds, often)[0]:
        case "link":
            return Link(dice.likely(0.6))
        case "wait":
            return Wait(dice.randint(0, 6))
        case "power":
            told = [seen for rule in own for seen in _at_start(dice, rule)]
            return PowerLost(dice.randint(0, 6), tuple(told))
        case "own":
            return Observed(dice.choice(own), dice.likely(0.6))
        case _:
            return _command(dice)


def _command(dice: Dice) -> Command:
    name = dice.choice(["acknowledge", *COMMANDS])
    check_in = dice.choice([None, None, 5.0]) if name == "acknowledge" else None
    minutes = dice.choice([None, None, 1.0, 2.0, 5.0, 11.0, 0.0])
    comment, ident = dice.choice(["", "why"]), f"r{dice.randint(0, 3)}"
    return Command(name, ident, "tester", comment, minutes, check_in_minutes=check_in)


def _at_start(dice: Dice, rule: str) -> list[Observed]:
    """As it was, as a node's; gone; or told in passing, as that the service was down."""
    return [Observed(rule, seen) for seen in dice.choice([(True,), (False,), (True, False)])]
