"""A block: its summary, its check sum over every bit, and how two are merged."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from weirwatch.domain.errors import PermanentError
from weirwatch.store.block import (
    HOUR,
    Packed,
    Readings,
    Summary,
    check_of,
    cut,
    hour_of,
    merged,
    ordered,
    pack,
    summary_of,
    unpack,
)
from weirwatch.store.packing import PCODEC, ZLIB

AT = 493_788  # an hour in 2026


def some(*rows: tuple[int, float, int]) -> Readings:
    """Readings at so many microseconds after the hour's start."""
    ts, value, code = zip(*rows, strict=True) if rows else ((), (), ())
    return Readings(
        np.array(ts, dtype=np.int64) + AT * HOUR,
        np.array(value, dtype=np.float64),
        np.array(code, dtype=np.int64),
    )


def listed(readings: Readings) -> list[tuple[int, float, int]]:
    columns = (readings.ts - AT * HOUR).tolist(), readings.value.tolist(), readings.code.tolist()
    return list(zip(*columns, strict=True))


rows = st.lists(
    st.tuples(
        st.integers(0, HOUR - 1),
        st.floats(allow_nan=False) | st.integers(0, 9999).map(lambda n: n / 100),
        st.sampled_from([0, 0, 0, 1, 2, 5, 2 + 4 * 77]),
    ),
    min_size=1,
    max_size=100,
)


@settings(max_examples=200, deadline=None)
@given(rows, st.sampled_from([PCODEC, ZLIB]))
def test_it_comes_back(given_rows: list[tuple[int, float, int]], codec: int) -> None:
    readings = ordered(some(*given_rows))
    packed = pack(AT, readings, codec)
    found = unpack(AT, packed)
    assert found.ts.tolist() == readings.ts.tolist()
    assert found.value.view(np.int64).tolist() == readings.value.view(np.int64).tolist()
    assert found.code.tolist() == readings.code.tolist()
    assert (packed.quality is None) is all(code == 0 for code in readings.code.tolist())


def test_hours_before_1970_too() -> None:
    assert [hour_of(time) for time in (-1, 0, HOUR - 1, HOUR, -HOUR)] == [-1, 0, 0, 1, -1]


def test_a_summary_counts_what_is_not_bad() -> None:
    readings = some((5, 3.0, 2), (10, 1.0, 0), (20, 4.0, 5), (30, 2.5, 0), (40, 99.0, 2 + 12))
    assert summary_of(AT, readings) == Summary(3, 10, 30, 1.0, 4.0, 7.5, 1.0, 2.5)
    nothing = Summary(0, None, None, None, None, None, None, None)
    assert summary_of(AT, some((5, 3.0, 2))) == nothing
    both = summary_of(AT, some((1, math.inf, 0), (2, -math.inf, 0)))
    assert (both.n, both.vmin, both.vmax, both.vsum) == (2, -math.inf, math.inf, None)


def flipped(content: bytes, bit: int) -> bytes:
    wrong = bytearray(content)
    wrong[bit // 8] ^= 1 << bit % 8
    return bytes(wrong)


def test_every_bit_counts() -> None:
    readings = some((5, 3.1, 0), (10, 1.0, 5), (3_000_000_020, 0.1 + 0.2, 2))
    summary, packed = summary_of(AT, readings), pack(AT, readings, PCODEC)
    right = check_of(7, AT, summary, packed)
    for place in (1, 2, 3):
        content = packed[place]
        assert isinstance(content, bytes)
        for bit in range(len(content) * 8):
            changed: list[Any] = list(packed)
            changed[place] = flipped(content, bit)
            wrong = Packed(*changed)
            assert check_of(7, AT, summary, wrong) != right
    for place, value in enumerate(summary):
        assert value is not None
        other = float(np.nextafter(value, 1e9)) if isinstance(value, float) else value + 1
        for wrong_value in (other, None) if place else (other,):
            parts: list[Any] = list(summary)
            parts[place] = wrong_value
            assert check_of(7, AT, Summary(*parts), packed) != right
    assert check_of(8, AT, summary, packed) != right
    assert check_of(7, AT + 1, summary, packed) != right
    assert check_of(7, AT, summary, packed._replace(codec=ZLIB)) != right
    assert check_of(7, AT, summary, packed._replace(quality=None)) != right
    assert check_of(7, AT, summary, None) != right


def test_the_first_wins() -> None:
    old = some((10, 1.0, 0), (30, 3.0, 0))
    new = some((30, 99.0, 0), (20, 2.0, 0), (20, 98.0, 2), (5, 0.5, 1))
    assert listed(merged(old, new)) == [(5, 0.5, 1), (10, 1.0, 0), (20, 2.0, 0), (30, 3.0, 0)]
    assert listed(ordered(new)) == [(5, 0.5, 1), (20, 2.0, 0), (30, 99.0, 0)]


def test_a_cut() -> None:
    readings = some((10, 1.0, 0), (20, 2.0, 0), (30, 3.0, 0))
    start = AT * HOUR
    assert listed(cut(readings, start, start + HOUR)) == listed(readings)
    assert listed(cut(readings, start + 10, start + 30)) == [(10, 1.0, 0), (20, 2.0, 0)]
    assert listed(cut(readings, start + 11, start + 12)) == []


def test_a_codec_of_the_future() -> None:
    with pytest.raises(PermanentError, match="install a newer Weirwatch"):
        unpack(AT, Packed(9, b"", b"", None))
