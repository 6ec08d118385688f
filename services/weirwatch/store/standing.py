"""The time-weighted mean of a series: each reading weighs as long as it stood.

A reading stands until the next one, but not longer than a bound; a bad one ends the standing of
the one before it and has none itself; an uncertain one stands like a good one. The mean of a bucket
is the integral of what stood over the part of the bucket that is covered, divided by the length of
that part. A reading from before the bucket stands into it.

That is TimeAverage2 of OPC 10000-13, 5.4.3.7, of a stepped variable with TreatUncertainAsBad =
False, but for the bound: there a reading is believed until the next one, however late that is.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from weirwatch.domain.instant import Micros
from weirwatch.ports import Bucket
from weirwatch.store.block import BAD, HOUR, QUALITY_MASK, Readings, only
from weirwatch.store.packing import Doubles, Integers

LONGEST: Micros = HOUR  # of a channel that has no `silent_after`
_CHUNK = 65_536  # readings at a time: some megabytes, whatever the range


def with_time_means(
    found: Sequence[Bucket], parts: Iterable[Readings], longest: Micros, *, whole: bool
) -> list[Bucket]:
    """Return the buckets with `time_mean` filled in; None where nothing of one is covered.

    Args:
        found: disjoint, in order.
        parts: readings of any quality in time order, from `longest` before the first bucket on
            up to the end of the last one.
        longest: how long a reading stands at most.
        whole: None too where a bucket counts another number of readings than are in the parts.
    """
    if not found:
        return []
    starts = np.array([bucket.start for bucket in found], dtype=np.int64)
    ends = np.array([bucket.end for bucket in found], dtype=np.int64)
    means, counts = time_means(parts, starts, ends, longest)
    return [
        bucket._replace(
            time_mean=None if math.isnan(mean) or (whole and count != bucket.count) else mean
        )
        for bucket, mean, count in zip(found, means.tolist(), counts.tolist(), strict=True)
    ]


def time_means(
    parts: Iterable[Readings], starts: Integers, ends: Integers, longest: Micros
) -> tuple[Doubles, Integers]:
    """Return the time-weighted mean of each bucket `[start, end)`, and how many readings count.

    Args:
        parts: readings in time order, no two at one time; gone through once.
        starts: of the buckets, in microseconds, in order.
        ends: of the buckets, each after its start and not after the next one's.
        longest: how long a reading stands at most, in microseconds.

    Returns:
        The mean (NaN where nothing is covered) and the number of readings in the bucket that are
        not bad, one of each a bucket.
    """
    area, covered = np.zeros(len(starts)), np.zeros(len(starts))
    counts = np.zeros(len(starts), dtype=np.int64)
    offset: float | None = None  # so that what is added up is small beside the value
    newest = _joined(())
    for chunk in _chunks(parts):
        counts += _counted(chunk, starts, ends)
        readings = _joined((newest, chunk))
        newest = only(readings, slice(-1, None))
        if offset is None:
            offset = _first_number(readings)
        # The newest one's standing is told by the next chunk.
        until = np.append(readings.ts[1:], newest.ts)
        _add(area, covered, _stood(readings, until, longest), starts, ends, offset or 0.0)
    if len(newest.ts):
        stood = _stood(newest, ends[-1:], longest)
        _add(area, covered, stood, starts, ends, offset or 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        return (offset or 0.0) + area / covered, counts


def _chunks(parts: Iterable[Readings]) -> Iterator[Readings]:
    held: list[Readings] = []
    count = 0
    for part in parts:
        held.append(part)
        count += len(part.ts)
        if count >= _CHUNK:
            yield _joined(held)
            held, count = [], 0
    if held:
        yield _joined(held)


def _joined(parts: Sequence[Readings]) -> Readings:
    if not parts:
        nothing = np.zeros(0, dtype=np.int64)
        return Readings(nothing, np.zeros(0), nothing)
    return Readings(
        np.concatenate([part.ts for part in parts]),
        np.concatenate([part.value for part in parts]),
        np.concatenate([part.code for part in parts]),
    )


def _counted(readings: Readings, starts: Integers, ends: Integers) -> Integers:
    ts = readings.ts[readings.code & QUALITY_MASK < BAD]
    edges = np.searchsorted(ts, np.stack((starts, ends)))
    return np.asarray(edges[1] - edges[0], dtype=np.int64)


def _first_number(readings: Readings) -> float | None:
    numbers = readings.value[np.isfinite(readings.value)]
    return float(numbers[0]) if len(numbers) else None


def _stood(readings: Readings, until: Integers, longest: Micros) -> tuple[NDArray[Any], ...]:
    """Return from when, until when and at which value the readings stood that did."""
    ts, value, code = readings
    until = np.minimum(until, ts + longest)
    which = (code & QUALITY_MASK < BAD) & (until > ts)
    return ts[which], until[which], value[which]


def _add(
    area: Doubles,
    covered: Doubles,
    stood: tuple[NDArray[Any], ...],
    starts: Integers,
    ends: Integers,
    offset: float,
) -> None:
    """Add to each bucket what stood in it; most readings stand in one, some in several."""
    low, high, value = stood
    first = np.searchsorted(ends, low, side="right")
    several = np.searchsorted(starts, high, side="left") - first
    which = np.repeat(np.arange(len(low)), several)
    place = first[which] + np.arange(len(which)) - np.repeat(np.cumsum(several) - several, several)
    length = np.minimum(high[which], ends[place]) - np.maximum(low[which], starts[place])
    with np.errstate(over="ignore", invalid="ignore"):
        parts = (value[which] - offset) * length
    area += np.bincount(place, parts, len(area))
    covered += np.bincount(place, length, len(area))
