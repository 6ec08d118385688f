"""What a sealed block is: one channel's readings of one UTC hour, packed, summed up, with a CRC."""

import math
import struct
import zlib
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from weirwatch.domain.errors import PermanentError
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.store.packing import (
    ZLIB,
    Doubles,
    Integers,
    pack_doubles,
    pack_integers,
    pack_times,
    require,
    unpack_doubles,
    unpack_integers,
    unpack_times,
)

HOUR: Micros = 3600 * SECOND

QUALITY_BITS = 2  # of a code: quality; above them: the number of the reason's text, 0 for none
QUALITY_MASK = 3
GOOD, BAD = 0, 2

_SUMMARY = struct.Struct("<5q5d")


class DamagedBlockError(PermanentError):
    """A block's bytes are not those that were written; other blocks are not concerned."""


class Readings(NamedTuple):
    """Readings of one channel.

    Attributes:
        ts: microseconds since 1970, UTC.
        value: in the channel's unit.
        code: quality and reason in one, see `QUALITY_BITS`.
    """

    ts: Integers
    value: Doubles
    code: Integers


class Summary(NamedTuple):
    """What is known of a block without unpacking it; of its readings that are not bad.

    Attributes:
        n: how many; with none, all others are None.
        t_first, t_last: microseconds after the hour's start.
        vsum: None too when the sum is not a number (of infinities).
    """

    n: int
    t_first: int | None
    t_last: int | None
    vmin: float | None
    vmax: float | None
    vsum: float | None
    vfirst: float | None
    vlast: float | None


class Packed(NamedTuple):
    """A block's bytes.

    Attributes:
        quality: None when every reading is plain good.
    """

    codec: int
    ts: bytes
    value: bytes
    quality: bytes | None


def hour_of(time: Micros) -> int:
    """Return the hour since 1970, UTC, that the time lies in."""
    return time // HOUR


def summary_of(hour: int, readings: Readings) -> Summary:
    """Return the summary of an hour's readings, which are in time order."""
    counted = readings.code & QUALITY_MASK < BAD
    ts, value = readings.ts[counted], readings.value[counted]
    if len(ts) == 0:
        return Summary(0, None, None, None, None, None, None, None)
    with np.errstate(over="ignore", invalid="ignore"):
        total = float(value.sum())
    numbers = (float(value.min()), float(value.max()), total, float(value[0]), float(value[-1]))
    low, high, total_or_none, first, last = (
        None if math.isnan(number) else number + 0.0  # SQLite keeps neither NaN nor -0.0
        for number in numbers
    )
    start = hour * HOUR
    return Summary(
        len(ts), int(ts[0]) - start, int(ts[-1]) - start, low, high, total_or_none, first, last
    )


def pack(hour: int, readings: Readings, codec: int) -> Packed:
    """Return the bytes of an hour's readings, unpacked once more to be sure of every bit.

    Raises:
        PermanentError: the codec cannot be used here.
    """
    require(codec)
    quality = pack_integers(readings.code, codec) if readings.code.any() else None
    times = pack_times(readings.ts - hour * HOUR, codec)
    packed = Packed(codec, times, pack_doubles(readings.value, codec), quality)
    if _same(unpack(hour, packed), readings):
        return packed
    if codec == ZLIB:
        raise PermanentError(f"the readings of hour {hour} cannot be packed without loss")
    return pack(hour, readings, ZLIB)


def unpack(hour: int, packed: Packed) -> Readings:
    """Return the readings of sound bytes.

    Raises:
        PermanentError: the codec cannot be used here.
    """
    require(packed.codec)
    ts = unpack_times(packed.ts, packed.codec) + hour * HOUR
    value = unpack_doubles(packed.value, packed.codec)
    if packed.quality is None:
        code = np.zeros(len(ts), dtype=np.int64)
    else:
        code = unpack_integers(packed.quality, packed.codec)
    return Readings(ts, value, code)


def check_of(channel: int, hour: int, summary: Summary, packed: Packed | None) -> int:
    """Return the CRC-32 of all that a block says; of its summary alone without the bytes."""
    n, t_first, t_last, *numbers = summary
    if t_first is None or t_last is None:
        t_first = t_last = -1
    if None in numbers:
        numbers = [math.nan if number is None else number for number in numbers]
    check = zlib.crc32(_SUMMARY.pack(channel, hour, n, t_first, t_last, *numbers))
    if packed is None:
        return check
    codec, ts, value, quality = packed
    check = zlib.crc32(value, zlib.crc32(ts, check ^ codec))
    return check if quality is None else zlib.crc32(quality, check)


def ordered(readings: Readings) -> Readings:
    """Return them in time order, of several at one time the first."""
    return merged(only(readings, np.zeros(len(readings.ts), dtype=np.bool_)), readings)


def merged(old: Readings, new: Readings) -> Readings:
    """Return both in time order; of several at one time the first of the old, then of the new."""
    ts = np.concatenate((old.ts, new.ts))
    order = np.argsort(ts, kind="stable")
    ts = ts[order]
    first = np.ones(len(ts), dtype=bool)
    first[1:] = ts[1:] != ts[:-1]
    keep = order[first]
    return Readings(
        ts[first],
        np.concatenate((old.value, new.value))[keep],
        np.concatenate((old.code, new.code))[keep],
    )


def only(readings: Readings, which: NDArray[np.bool_] | slice) -> Readings:
    """Return those that are marked, or that lie in the slice."""
    return Readings(readings.ts[which], readings.value[which], readings.code[which])


def cut(readings: Readings, start: Micros, end: Micros) -> Readings:
    """Return the part with start ≤ time < end; the readings are in time order."""
    low, high = np.searchsorted(readings.ts, (start, end))
    return only(readings, slice(low, high))


def _same(one: Readings, other: Readings) -> bool:
    return bool(
        np.array_equal(one.ts, other.ts)
        and np.array_equal(one.value.view(np.int64), other.value.view(np.int64))
        and np.array_equal(one.code, other.code)
    )
