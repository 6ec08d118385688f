"""Rule evaluations per second of the pure engine, and what a reading costs as channels grow.

    .venv/bin/python tests/bench/engine.py

Three rules a channel (high limit, low limit, silent), readings in normal life with one excursion
in a thousand. The cost per reading must not grow with the number of channels.
"""

import sys
import time
import tracemalloc
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.bench_engine import book, channel, rule

from weirwatch.domain.engine import adopt, decide, decide_reading, due, start
from weirwatch.domain.reading import Reading
from weirwatch.domain.rule import Absolute, BadMeasurement, Side


def measure(channels: int, readings: int) -> tuple[float, float]:
    """Return readings per second and bytes per rule."""
    ids = [f"hall/node{n // 8}/level{n}" for n in range(channels)]
    rules = []
    for ident in ids:
        rules.append(rule(f"high-{ident}", Absolute(Side.HIGH, 10, 1), on=10, on_channel=ident))
        rules.append(rule(f"low-{ident}", Absolute(Side.LOW, 1, 1), on=10, on_channel=ident))
        rules.append(
            rule(
                f"silent-{ident}",
                BadMeasurement(silent=True),
                kind="bad-measurement",
                on_channel=ident,
            )
        )
    tracemalloc.start()
    made = book(rules, [channel(ident, every=5) for ident in ids])
    state = start({}, {}, made, 0, link_up=True)
    bytes_per_rule = tracemalloc.get_traced_memory()[0] / len(rules)
    tracemalloc.stop()
    rounds = max(1, readings // channels)
    stream = [
        Reading(
            ident, (r + 1) * 5_000_000 + n, 11.0 if (r * channels + n) % 1000 == 0 else 5.0 + r % 3
        )
        for r in range(rounds)
        for n, ident in enumerate(ids)
    ]
    began = time.perf_counter()
    for reading in stream:
        for stimulus in due(state, made, reading.time):
            adopt(state, decide(state, stimulus, made), made)
        adopt(state, decide_reading(state, reading, reading.time, made), made)
    return len(stream) / (time.perf_counter() - began), bytes_per_rule


def main() -> None:
    """Print one line a size."""
    print(
        f"{'channels':>8} {'rules':>6} {'readings/s':>11} {'evaluations/s':>14} {'bytes/rule':>11}"
    )
    for channels in (40, 400, 4000):
        rate, size = measure(channels, 120_000)
        print(f"{channels:>8} {3 * channels:>6} {rate:>11,.0f} {3 * rate:>14,.0f} {size:>11,.0f}")


if __name__ == "__main__":
    main()
