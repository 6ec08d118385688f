"""Packing: every bit comes back, with pcodec and without; and it is worth the trouble."""

import math

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from weirwatch.domain.errors import PermanentError
from weirwatch.store import packing
from weirwatch.store.packing import (
    PCODEC,
    ZLIB,
    Doubles,
    Integers,
    codec_here,
    pack_doubles,
    pack_integers,
    pack_times,
    require,
    unpack_doubles,
    unpack_integers,
    unpack_times,
)

SMALLEST = 5e-324  # the smallest denormal double (IEEE 754: 2^-1074)
wide = st.integers(-(2**63), 2**63 - 1)
integers = st.lists(wide | st.integers(-300, 300), min_size=1, max_size=200)
decimals = st.integers(-(10**7), 10**7).flatmap(
    lambda whole: st.sampled_from([10**d for d in range(7)]).map(lambda power: whole / power)
)
odd = st.sampled_from([0.0, -0.0, SMALLEST, -SMALLEST, 2.2e-308, 1.7e308, math.inf, -math.inf])
doubles = (
    st.lists(decimals, min_size=1, max_size=200)
    | st.lists(st.floats(allow_nan=False), min_size=1, max_size=200)
    | st.lists(decimals | odd, min_size=1, max_size=50)
)
grid = st.tuples(
    st.integers(0, 2**52),
    st.integers(-(10**9), 10**9),
    st.lists(st.integers(-5000, 5000), min_size=1, max_size=200),
)

plenty = settings(
    max_examples=200,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@pytest.fixture(params=[PCODEC, ZLIB], ids=["pcodec", "zlib"])
def codec(request: pytest.FixtureRequest) -> int:
    number: int = request.param
    return number


def of(values: list[int]) -> Integers:
    return np.array(values, dtype=np.int64)


def bits(values: Doubles) -> list[int]:
    found: list[int] = values.view(np.int64).tolist()
    return found


@plenty
@given(integers)
def test_integers(codec: int, values: list[int]) -> None:
    packed = pack_integers(of(values), codec)
    assert unpack_integers(packed, codec).tolist() == values


@plenty
@given(integers)
def test_times_of_any_kind(codec: int, values: list[int]) -> None:
    packed = pack_times(of(values), codec)
    assert unpack_times(packed, codec).tolist() == values


@plenty
@given(grid)
def test_times_near_a_grid(codec: int, some: tuple[int, int, list[int]]) -> None:
    first, step, off = some
    times = [first + place * step + by for place, by in enumerate(off)]
    times += times[-3:]  # duplicates, and a step back
    packed = pack_times(of(times), codec)
    assert unpack_times(packed, codec).tolist() == times


@plenty
@given(doubles)
def test_doubles(codec: int, values: list[float]) -> None:
    given_bits = bits(np.array(values, dtype=np.float64))
    packed = pack_doubles(np.array(values, dtype=np.float64), codec)
    assert bits(unpack_doubles(packed, codec)) == given_bits


@pytest.mark.parametrize(
    ("values", "bytes_each"),
    [
        ([0.0] * 720, 0.01),
        ([25.43] * 720, 0.01),
        ([25.40 + (n * 7919 % 5) / 100 for n in range(720)], 0.5),
        ([5980.0 + 10 * (n * 7919 % 5) for n in range(720)], 0.5),
        ([0.1 * n for n in range(720)], 8.2),
    ],
    ids=["a switch", "a probe at rest", "hundredths", "tens", "all digits"],
)
def test_what_it_takes(codec: int, values: list[float], bytes_each: float) -> None:
    packed = pack_doubles(np.array(values, dtype=np.float64), codec)
    assert len(packed) / len(values) < bytes_each


def test_an_even_beat_takes_next_to_nothing(codec: int) -> None:
    even = of([17 + place * 5_000_000 for place in range(720)])
    assert len(pack_times(even, codec)) < 20
    missed = np.delete(even, [5, 99, 100, 101, 600])
    assert len(pack_times(missed, codec)) < 120
    chance = np.random.default_rng(1)
    shaken = even + np.rint(chance.normal(0, 2, 720)).astype(np.int64) * 1000
    assert len(pack_times(shaken, codec)) < 0.62 * 720  # 3.05 bits of entropy each


def test_without_pcodec_it_still_packs(monkeypatch: pytest.MonkeyPatch) -> None:
    assert codec_here() == PCODEC
    packed = pack_integers(of([1, 2, 3]), PCODEC)
    monkeypatch.setattr(packing, "pcodec", None)
    assert codec_here() == ZLIB
    assert unpack_integers(pack_integers(of([1, 2, 3]), ZLIB), ZLIB).tolist() == [1, 2, 3]
    assert packed
    with pytest.raises(PermanentError, match=r"pip install pcodec"):
        require(PCODEC)
    with pytest.raises(PermanentError, match="codec 77 is unknown"):
        require(77)
