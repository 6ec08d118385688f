"""Rule evaluations per second of the pure engine, and what a reading costs as channels grow.

    .venv/bin/python tests/bench/engine.py [--readings 120000] [--kinds limits trends duties]

Three rules a channel. `limits`: high, low and silent, in ordinary life with one excursion in a
thousand. `trends`: rise, fall and a forecast over an hour. `duties`: too long, too often and silent
over a day. CPU time of this process, so that a busy machine does not matter much. The cost per
reading must not grow with the number of channels.
"""

import argparse
import sys
import time
import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.bench_engine import book, channel, rule

from weirwatch.domain.book import Book
from weirwatch.domain.engine import adopt, decide, decide_reading, due, start
from weirwatch.domain.instant import SECOND, micros
from weirwatch.domain.reading import Reading
from weirwatch.domain.rule import (
    Absolute,
    BadMeasurement,
    Condition,
    Duty,
    Forecast,
    RateOfChange,
    Side,
)
from weirwatch.domain.state import EngineState

EVERY = 5  # seconds between two readings of a channel
HOUR_READINGS = 3600 // EVERY
HOUR, DAY = micros(3600), micros(86_400)


class Kind(NamedTuple):
    """Three conditions a channel, and what it says in its n-th round."""

    conditions: tuple[Condition, ...]
    quantity: str
    value: Callable[[int, int], float]


KINDS = {
    "limits": Kind(
        (Absolute(Side.HIGH, 10, 1), Absolute(Side.LOW, 1, 1), BadMeasurement(silent=True)),
        "level",
        lambda round_, number: 11.0 if number % 1000 == 0 else 5.0 + round_ % 3,
    ),
    "trends": Kind(
        (
            RateOfChange(HOUR, rise=5.0, deadband=1.0),
            RateOfChange(HOUR, fall=5.0, deadband=1.0),
            Forecast(Side.HIGH, 100.0, DAY, HOUR),
        ),
        "level",
        lambda _, number: 5.0 + number * 7919 % 13 / 10,
    ),
    "duties": Kind(
        (
            Duty(DAY, on_for=DAY - HOUR),
            Duty(DAY, starts=100_000),
            BadMeasurement(silent=True),
        ),
        "switch",
        lambda round_, number: float((round_ + number) // 7 % 2),
    ),
}


class Measured(NamedTuple):
    """What one run cost: CPU microseconds a reading; bytes a rule when new."""

    cost_us: float
    bytes_new: float


def made(kind: Kind, channels: int) -> tuple[Book, list[str]]:
    """The rules on so many channels."""
    ids = [f"hall/node{n // 8}/level{n}" for n in range(channels)]
    rules = [
        rule(f"rule-{n}-{ident}", condition, on=10, on_channel=ident)
        for ident in ids
        for n, condition in enumerate(kind.conditions)
    ]
    return book(rules, [channel(i, every=EVERY, quantity=kind.quantity) for i in ids]), ids


def stream(kind: Kind, ids: list[str], first: int, rounds: int) -> Iterator[Reading]:
    """Every channel once in a round."""
    for round_ in range(first, first + rounds):
        for number, ident in enumerate(ids):
            value = kind.value(round_, round_ * len(ids) + number)
            yield Reading(ident, (round_ + 1) * EVERY * SECOND + number, value)


def feed(state: EngineState, rules: Book, readings: list[Reading]) -> None:
    """As the loop does it."""
    for reading in readings:
        for stimulus in due(state, rules, reading.time):
            adopt(state, decide(state, stimulus, rules), rules)
        adopt(state, decide_reading(state, reading, reading.time, rules), rules)


def measure(kind: Kind, channels: int, readings: int) -> Measured:
    """Return what a reading costs once every window has an hour of readings."""
    tracemalloc.start()
    rules, ids = made(kind, channels)
    state = start({}, {}, rules, 0, link_up=True)
    new = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    _fill(state, kind, ids)
    feed(state, rules, list(stream(kind, ids, HOUR_READINGS, 1)))  # warm
    timed = list(stream(kind, ids, HOUR_READINGS + 1, max(1, readings // channels)))
    began = time.process_time()
    feed(state, rules, timed)
    cost = (time.process_time() - began) / len(timed) * 1e6
    return Measured(cost, new / len(rules.entries))


def _fill(state: EngineState, kind: Kind, ids: list[str]) -> None:
    """Give every rule the window of one that has seen an hour; windows are never changed."""
    rules, (one,) = made(kind, 1)
    seen = start({}, {}, rules, 0, link_up=True)
    feed(seen, rules, list(stream(kind, [one], 0, HOUR_READINGS)))
    for ident in ids:
        for rule_id, window in seen.windows.items():
            state.windows[rule_id.replace(one, ident)] = window


def grown(kind: Kind, readings: int) -> float:
    """Return by how many bytes a rule grows over so many readings of one channel."""
    rules, ids = made(kind, 1)
    state = start({}, {}, rules, 0, link_up=True)
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    for round_ in range(readings):
        feed(state, rules, list(stream(kind, ids, round_, 1)))
    after = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    return (after - before) / len(rules.entries)


def main() -> None:
    """Print one line a kind and size."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    options.add_argument("--readings", type=int, default=120_000)
    options.add_argument("--kinds", nargs="+", default=list(KINDS), choices=KINDS)
    given = options.parse_args()
    print(
        f"{'kind':8} {'channels':>8} {'rules':>6} {'µs/reading':>11} {'evaluations/s':>14}"
        f" {'to 40':>6} {'bytes/rule':>11}"
    )
    for name in given.kinds:
        first = None
        for channels in (40, 400, 4000):
            found = measure(KINDS[name], channels, given.readings)
            first = first or found.cost_us
            print(
                f"{name:8} {channels:>8} {3 * channels:>6} {found.cost_us:>11.2f}"
                f" {3e6 / found.cost_us:>14,.0f} {found.cost_us / first:>6.2f}"
                f" {found.bytes_new:>11,.0f}",
                flush=True,
            )
        more = [grown(KINDS[name], HOUR_READINGS * hours) for hours in (1, 3)]
        print(f"{name:8} grows by {more[0]:,.0f} bytes a rule in an hour, {more[1]:,.0f} in three")


if __name__ == "__main__":
    main()
