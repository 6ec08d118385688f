"""The mean weighted by time: the standard's own example, a slow count, and long spans."""

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from weirwatch.domain.instant import SECOND, Micros
from weirwatch.ports import Bucket
from weirwatch.store import standing
from weirwatch.store.block import HOUR, Readings, only
from weirwatch.store.standing import time_means, with_time_means

Sample = tuple[Micros, float, int]  # time, value, code


def columns(samples: Sequence[Sample]) -> Readings:
    ts, value, code = zip(*samples, strict=True) if samples else ((), (), ())
    return Readings(
        np.array(ts, dtype=np.int64),
        np.array(value, dtype=np.float64),
        np.array(code, dtype=np.int64),
    )


def means(
    parts: Sequence[Readings], edges: Sequence[tuple[Micros, Micros]], longest: Micros
) -> list[float]:
    starts, ends = (np.array(column, dtype=np.int64) for column in zip(*edges, strict=True))
    found: list[float] = time_means(parts, starts, ends, longest)[0].tolist()
    return found


# OPC 10000-13 v1.04, Annex A.1.2: seconds after 12:00:00, value, quality (2: bad). The uncertain
# value at 12:01:17 is bad here: the example says TreatUncertainAsBad = True.
NON_PERIODIC = [
    *((2, 10, 0), (25, 20, 0), (28, 25, 0), (39, 30, 0), (42, 0, 2), (48, 40, 0), (52, 50, 0)),
    *((72, 60, 0), (77, 70, 2), (83, 70, 0), (86, 80, 0), (90, 90, 0)),
]
# TimeAverage2 of Historian 3 (those values, stepped) by intervals of 5 s from 12:00:00 on, as the
# OPC Foundation's issue 0006227 corrects the table of A.5 (https://mantis.opcfoundation.org).
TIME_AVERAGE_2 = [10, 10, 10, 10, 10, 22, 25, 26, 30, 40, 46, 50, 50, 50, 56, 60]


def test_the_example_of_opc_10000_13_for_a_stepped_variable() -> None:
    samples = [(n * SECOND, float(value), code) for n, value, code in NON_PERIODIC]
    edges = [(n * 5 * SECOND, (n + 1) * 5 * SECOND) for n in range(16)]
    assert means([columns(samples)], edges, HOUR) == TIME_AVERAGE_2


def test_a_reading_stands_no_longer_than_the_bound_and_a_bad_one_ends_it() -> None:
    samples = [(0, 10.0, 0), (6, 20.0, 1), (8, 0.0, 2), (15, 40.0, 0)]
    # By hand: 10 from 0 to 4, 20 from 6 to 8, nothing from 8 to 15, 40 from 15 to 19.
    assert means([columns(samples)], [(0, 20)], 4) == [(10 * 4 + 20 * 2 + 40 * 4) / 10]
    found = means([columns(samples)], [(0, 5), (5, 8), (8, 15), (18, 30)], 4)
    assert found[:2] == [10.0, 20.0]
    assert math.isnan(found[2])
    assert found[3] == 40.0  # from before the bucket


def test_what_counts_but_is_not_there_leaves_it_unknown() -> None:
    parts = [columns([(0, 10.0, 0), (5, 20.0, 0)])]
    buckets = [Bucket(0, 10, 10.0, 15.0, 20.0, 2), Bucket(10, 20, 1.0, 1.0, 1.0, 1)]
    told = with_time_means(buckets, parts, 100, whole=True)
    assert [bucket.time_mean for bucket in told] == [15.0, None]
    told = with_time_means(buckets, parts, 100, whole=False)
    assert [bucket.time_mean for bucket in told] == [15.0, 20.0]
    assert with_time_means([], iter(parts), 100, whole=True) == []


@st.composite
def sampled(draw: st.DrawFn) -> list[Sample]:
    times = sorted(draw(st.sets(st.integers(-30, 60), max_size=25)))
    return [
        (time, float(draw(st.integers(-5, 5))), draw(st.sampled_from((0, 0, 1, 2, 6))))
        for time in times
    ]


def slowly(samples: list[Sample], low: Micros, high: Micros, longest: Micros) -> float:
    """The same by looking at every microsecond."""
    seen = []
    for now in range(low, high):
        before = [sample for sample in samples if sample[0] <= now]
        if before and before[-1][2] % 4 < 2 and now < before[-1][0] + longest:
            seen.append(before[-1][1])
    return sum(seen) / len(seen) if seen else math.nan


@given(
    samples=sampled(),
    longest=st.integers(1, 30),
    cuts=st.sets(st.integers(0, 50), min_size=2, max_size=9),
    skipped=st.integers(0, 7),
    chunk=st.integers(1, 9),
    part=st.integers(1, 9),
)
def test_it_is_what_looking_at_every_microsecond_gives(
    samples: list[Sample], longest: int, cuts: set[int], skipped: int, chunk: int, part: int
) -> None:
    inner = sorted(cuts)
    edges = list(pairwise(inner))
    if len(edges) > 1:
        del edges[skipped % len(edges)]  # empty buckets are not asked for
    whole = columns(samples)
    parts = [only(whole, slice(n, n + part)) for n in range(0, len(samples), part)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(standing, "_CHUNK", chunk)
        found = means(parts, edges, longest)
    assert found == pytest.approx(
        [slowly(samples, *edge, longest) for edge in edges], rel=1e-12, abs=1e-12, nan_ok=True
    )


def test_a_month_keeps_its_digits() -> None:
    """Values far from zero whose changes are small, against sums without any rounding."""
    rng = np.random.default_rng(7)
    step = 5 * SECOND
    ts = np.arange(518_400, dtype=np.int64) * step + rng.integers(0, step, 518_400)
    value = 1e9 + rng.standard_normal(518_400)
    parts = [Readings(ts, value, np.zeros(len(ts), dtype=np.int64))]
    until = np.append(ts[1:], ts[-1] + step)
    exact = math.fsum((value - 1e9) * (until - ts)) / float((until - ts).sum())
    (found,) = means(parts, [(int(ts[0]), int(until[-1]))], HOUR)
    assert found - 1e9 == pytest.approx(exact, abs=2e-7)  # a unit in the last place of 1e9
