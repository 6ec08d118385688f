"""Random rules and what happens to them, engine beside reference, far faster than hypothesis draws.

    .venv/bin/python tests/bench/stories.py [--seconds 60] [--seed 1] [--steps 36]

Readings, commands, broken connections and losses of power at any point. What differs is cut down to
the fewest steps and rules that still differ, printed, and ends the run with exit code 1.
"""

import argparse
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from domain.engine_run import EngineRun
from domain.reference_model import Model
from domain.strategies import FLOW, LEVEL, MAINS, TICK, World
from domain.test_reference import model_of, rows_of

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

Step = Reading | Command | bool | tuple[str, int]  # a reading's time: ticks to wait before it
SIDES = list(Side)
QUALITIES = [Quality.GOOD] * 4 + [Quality.UNCERTAIN, Quality.BAD]


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


def world(dice: Dice) -> World:
    """Up to four rules on three channels."""
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
    channel = dice.choice([LEVEL, LEVEL, FLOW, MAINS, MAINS])
    condition = _switch(dice) if channel == MAINS else _number(dice, channel)
    shown = [_term(dice, ident, every) for _ in range(dice.choice([0, 0, 0, 1, 1, 2]))]
    if isinstance(condition, Duty):  # the reference does not follow the clock while it is down
        shown = [term for term in shown if not isinstance(term, Between)]
    return Rule(
        id=ident,
        title=ident,
        kind="absolute",
        condition=condition,
        failure="sump-high",
        channel=channel,
        while_=tuple(shown),
        on_delay=dice.choice([0, dice.ticks(0, 5)]),
        off_delay=dice.choice([0, dice.ticks(0, 5)]),
        latching=dice.likely(0.3),
        re_alarm=dice.choice([0, 0, 3 * TICK]),
        suppressed_by=tuple(dice.sample(earlier, min(len(earlier), dice.randint(0, 2)))),
        hold_off=dice.ticks(0, 5),
        shelve_max=10 * TICK,
        bold=dice.likely(0.25),
    )


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


def story(dice: Dice, count: int) -> list[Step]:
    """So many steps at least."""
    steps: list[Step] = []
    while len(steps) < count:
        steps += dice.choices((_line, _single, _other), (0.12, 0.4, 0.48))[0](dice)
    return steps


def _single(dice: Dice) -> Iterator[Step]:
    channel, value = dice.choice([LEVEL, LEVEL, FLOW, MAINS]), dice.level(-1, 11)
    value = float(value > 5) if channel == MAINS else value
    yield Reading(channel, dice.randint(0, 2), value, dice.choice(QUALITIES))


def _line(dice: Dice) -> Iterator[Step]:
    """One channel nearly every tick, as windows need it."""
    channel, value = dice.choice([LEVEL, FLOW, MAINS]), dice.level(0, 10)
    for _ in range(dice.randint(3, 14)):
        value = max(-1.0, min(11.0, value + dice.choice([-1, 0, 0, 1, 1])))
        shown = float(dice.likely(0.5)) if channel == MAINS else value
        yield Reading(channel, dice.choice([1, 1, 1, 0, 2]), shown)


def _other(dice: Dice) -> Iterator[Step]:
    kind = dice.choices(("wait", "command", "link", "power"), (3, 3, 1, 2))[0]
    if kind == "link":
        yield dice.likely(0.6)
    elif kind != "command":
        yield kind, dice.randint(0, 6)
    else:
        name = dice.choice(["acknowledge", *COMMANDS])
        check_in = dice.choice([None, None, 5.0]) if name == "acknowledge" else None
        minutes = dice.choice([None, None, 1.0, 2.0, 5.0, 11.0, 0.0])
        comment, ident = dice.choice(["", "why"]), f"r{dice.randint(0, 3)}"
        yield Command(name, ident, "tester", comment, minutes, check_in_minutes=check_in)


def play(world: World, steps: Sequence[Step]) -> tuple[EngineRun, Model]:
    """Do the same to both."""
    engine, model = EngineRun(world.book, 0), model_of(world, 0)
    for step in steps:
        for run in (engine, model):
            match step:
                case Reading():
                    run.advance(run.now + step.time * TICK)
                    run.reading(step._replace(time=run.now))
                case Command():
                    run.command(step)
                case bool():
                    run.link(step)
                case ("wait", ticks):
                    run.advance(run.now + ticks * TICK)
                case (_, ticks):
                    run.restart(run.now + ticks * TICK)
    return engine, model


def same(engine: EngineRun, model: Model) -> bool:
    """Whether both have the same on record and stand where the other does."""
    if engine.refused != model.refused:
        return False
    for rule in model.rules:
        alarm, life = engine.state.alarms[rule.id], model.lives[rule.id]
        mine = [row for row in model.rows if row.rule == rule.id]
        if rows_of(engine.events, rule.id) != mine:
            return False
        if (alarm.state, alarm.service_state) != (life.state, life.service):
            return False
    return True


def differs(world: World, steps: Sequence[Step]) -> bool:
    """Whether they disagree, or one of them fails."""
    try:
        return not same(*play(world, steps))
    except Exception:  # noqa: BLE001 - whatever it is, it is a finding
        return True


def shortened(world: World, steps: list[Step]) -> tuple[World, list[Step]]:
    """Return the fewest steps, and the plainest rules, that still differ."""
    for place in reversed(range(len(steps))):
        fewer = steps[:place] + steps[place + 1 :]
        if differs(world, fewer):
            steps = fewer
    plain = ({"while_": ()}, {"suppressed_by": ()}, {"bold": False}, {"on_delay": 0})
    for place, rule in enumerate(world.rules):
        for change in (*plain, {"off_delay": 0}, {"latching": False}, {"re_alarm": 0}):
            changed = replace(world.rules[place], **change)
            rules = (*world.rules[:place], changed, *world.rules[place + 1 :])
            if changed != rule and differs(replace(world, rules=rules), steps):
                world = replace(world, rules=rules)
    return world, steps


def tell(world: World, steps: Sequence[Step]) -> None:
    """Print what differs."""
    for part in (*world.rules, *world.channels, *steps):
        print(part)
    engine, model = play(world, steps)
    for rule in world.rules:
        print("engine", *rows_of(engine.events, rule.id), sep="\n  ")
    print("reference", *model.rows, sep="\n  ")


def run(seconds: float, seed: int, steps: int, most: int = sys.maxsize) -> bool:
    """Play stories until the time or their number is up; return whether none differed."""
    found: Counter[tuple[str, str]] = Counter()
    end, number = time.perf_counter() + seconds, 0
    while number < most and time.perf_counter() < end:
        dice = Dice(seed + number)
        made = world(dice)
        happens = story(dice, steps)
        if differs(made, happens):
            print(f"seed {seed + number} differs, after {number} stories")
            tell(*shortened(made, happens))
            return False
        kinds = {rule.id: type(rule.condition).__name__ for rule in made.rules}
        found.update((kinds[e.rule], e.kind) for e in play(made, happens)[0].events)
        number += 1
    print(f"{number} stories, {found.total()} transitions, none differs")
    for (kind, event), count in sorted(found.items()):
        print(f"  {kind:15} {event:22} {count:8}")
    return True


def main() -> None:
    """Read the arguments and play."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    options.add_argument("--seconds", type=float, default=60.0)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--steps", type=int, default=36)
    given = options.parse_args()
    sys.exit(0 if run(given.seconds, given.seed, given.steps) else 1)


if __name__ == "__main__":
    main()
