"""Readings like those of a system of 40 channels at 5 s, for the benchmark of the store.

Five nodes of eight probes. A node takes all its readings at one time, some milliseconds off its
beat; a probe has noise and a smallest step, as probes have; one channel is computed from others and
has all the digits of a double. Seeded: the same hour gives the same readings.
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Channel

HOUR: Micros = 3600 * SECOND
NODES = 5
EVERY_S = 5
SAMPLES = 3600 // EVERY_S

# quantity, unit, middle, daily swing, noise, smallest step (0: a switch; below: all digits)
PROBES = (
    ("temperature", "Cel", 25.4, 0.3, 0.012, 0.01),
    ("level", "mm", 300.0, 4.0, 0.7, 1.0),
    ("flow", "L/h", 5980.0, 30.0, 25.0, 10.0),
    ("ph", "", 8.12, 0.08, 0.008, 0.01),
    ("conductivity", "mS/cm", 53.5, 0.2, 0.03, 0.01),
    ("power", "W", 148.0, 1.0, 1.0, 1.0),
    ("voltage", "V", 13.6, 0.05, 0.012, 0.01),
    ("switch", "", 0.0, 0.0, 0.0, 0.0),
)
COMPUTED = 12  # number of the channel without a smallest step


def channels(count: int = NODES * len(PROBES)) -> list[Channel]:
    """The first `count` of the channels."""
    return [
        Channel(
            f"harbour-hall/node{place // len(PROBES)}/{PROBES[place % len(PROBES)][0]}",
            PROBES[place % len(PROBES)][0],
            PROBES[place % len(PROBES)][1],
        )
        for place in range(count)
    ]


def hour(start: Micros, count: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """One hour of `count` channels: times and values, a row a sample, a column a channel."""
    chance = np.random.default_rng(start // HOUR)
    beat = start + np.arange(SAMPLES, dtype=np.int64) * EVERY_S * SECOND
    off = np.rint(chance.normal(0.0, 2.0, (SAMPLES, NODES))).astype(np.int64) + 100
    node_times = beat[:, None] + (off + 700 * np.arange(NODES)) * 1000
    day = np.sin(beat / (24 * HOUR) * 2 * np.pi)
    times = np.empty((SAMPLES, count), dtype=np.int64)
    values = np.empty((SAMPLES, count), dtype=np.float64)
    for place in range(count):
        kind, _, middle, swing, noise, step = PROBES[place % len(PROBES)]
        times[:, place] = node_times[:, place // len(PROBES)]
        if kind == "switch":
            values[:, place] = (start // HOUR + place) % 7 == 0
            continue
        wander = np.cumsum(chance.normal(0.0, noise / 40, SAMPLES))
        value = middle + swing * day + wander + chance.normal(0.0, noise, SAMPLES)
        if place == COMPUTED:
            values[:, place] = value * 0.663417
        else:
            digits = 2 if step < 1 else 0
            values[:, place] = np.round(np.rint(value / step) * step, digits)
    return times, values


def rows(start: Micros, hours: int, count: int) -> Iterator[list[tuple[Micros, int, float]]]:
    """Yield the readings (time, channel from 0, value) sample by sample, each sample in order."""
    for number in range(hours):
        times, values = hour(start + number * HOUR, count)
        places = list(range(count))
        for some_times, some_values in zip(times.tolist(), values.tolist(), strict=True):
            yield list(zip(some_times, places, some_values, strict=True))
