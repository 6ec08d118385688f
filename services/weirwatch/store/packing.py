"""How arrays of numbers become bytes and come back, bit for bit: pcodec, or zlib without it.

Integers are kept as `low + unit × offset`, doubles as integers of some decimal where every one of
them comes back exactly, times as what is left of an even grid. What then remains is small and goes
to the codec. Nothing is ever rounded: what does not fit a form exactly takes the next one.
"""

import zlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

from weirwatch.domain.errors import PermanentError

try:
    import pcodec
except ImportError:  # there is no wheel for every board
    pcodec = None

Integers = NDArray[np.int64]
Doubles = NDArray[np.float64]

PCODEC = 1
ZLIB = 2

_MOST_DECIMALS = 12  # beyond, a decimal times its power of ten is no longer exact enough
_RAW = 255  # in place of the number of decimals: the doubles themselves
_EXACT = 2.0**53  # integers up to here are exact as doubles
_WORDS = (np.uint16, np.uint32, np.uint64)
_FAR_APART = 2**53  # no grid joins what lies centuries apart
_GRIDS = (1_000_000, 100_000, 10_000, 1_000)  # steps that people choose are whole in one of these


def codec_here() -> int:
    """Return the codec for new blocks: the best that this machine has."""
    return PCODEC if pcodec is not None else ZLIB


def require(codec: int) -> None:
    """Refuse a codec that cannot be read here.

    Raises:
        PermanentError: with the cure.
    """
    if codec == PCODEC and pcodec is None:
        raise PermanentError(
            "this history was packed with pcodec, which this Python does not have: install it"
            " (pip install pcodec)"
        )
    if codec not in (PCODEC, ZLIB):
        raise PermanentError(f"codec {codec} is unknown: install a newer Weirwatch")


def pack_times(times: Integers, codec: int) -> bytes:
    """Return at least one time (any order, any distance) as bytes."""
    first = int(times[0])
    step = _step(times)
    residual = times - first - step * np.arange(len(times), dtype=np.int64)
    return _signed(first) + _signed(step) + pack_integers(residual, codec)


def unpack_times(blob: bytes, codec: int) -> Integers:
    """Return the times that `pack_times` made into these bytes."""
    first, place = _read_signed(blob, 0)
    step, place = _read_signed(blob, place)
    times = unpack_integers(blob[place:], codec)
    if step:
        times += step * np.arange(len(times), dtype=np.int64)
    times += first
    return times


def pack_doubles(values: Doubles, codec: int) -> bytes:
    """Return at least one double (any but NaN) as bytes."""
    for decimals, scaled in _decimals(values):
        return bytes((decimals,)) + pack_integers(scaled, codec)
    words = np.ascontiguousarray(values).view(np.uint64)
    if codec == PCODEC:
        return bytes((_RAW,)) + _pco(words.view(np.float64), pcodec.ChunkConfig())
    return bytes((_RAW,)) + _zip(words)


def unpack_doubles(blob: bytes, codec: int) -> Doubles:
    """Return the doubles that `pack_doubles` made into these bytes."""
    if blob[0] != _RAW:
        return unpack_integers(blob[1:], codec) / 10.0 ** blob[0]
    if codec == PCODEC:
        found: Doubles = pcodec.standalone.simple_decompress(blob[1:])
        return found
    return _unzip(blob[1:]).astype(np.uint64).view(np.float64)


def pack_integers(values: Integers, codec: int) -> bytes:
    """Return at least one integer of 64 bits as bytes."""
    low = int(values.min())
    offsets = values.view(np.uint64) - np.uint64(low % 2**64)  # wraps: the span may exceed 2^63
    unit = int(np.gcd.reduce(offsets))
    head = _unsigned(len(values)) + _signed(low) + _unsigned(unit)
    if unit == 0:  # all the same
        return head
    words = _narrow(offsets // np.uint64(unit))
    if codec == PCODEC:
        return head + min((_pco(words, config) for config in _even()), key=len)
    return head + _zip(words)


def unpack_integers(blob: bytes, codec: int) -> Integers:
    """Return the integers that `pack_integers` made into these bytes."""
    count, place = _read_unsigned(blob, 0)
    low, place = _read_signed(blob, place)
    unit, place = _read_unsigned(blob, place)
    if unit == 0:
        return np.full(count, low, dtype=np.int64)
    if codec == PCODEC:
        words = pcodec.standalone.simple_decompress(blob[place:])
    else:
        words = _unzip(blob[place:])
    offsets = words.astype(np.uint64)
    if unit != 1:
        offsets *= np.uint64(unit)
    offsets += np.uint64(low % 2**64)
    values: Integers = offsets.view(np.int64)
    return values


def _step(times: Integers) -> int:
    """Return the step of the even grid that the times keep closest to."""
    if int(times.max()) - int(times.min()) >= _FAR_APART:
        return 0
    if len(times) < 3:
        return int(times[-1] - times[0])
    steps = np.diff(times)
    usual = int(np.median(steps))
    candidates = {usual, int(np.mean(steps))}
    candidates |= {round(usual / grid) * grid for grid in _GRIDS if usual >= grid}
    places = np.arange(len(times), dtype=np.int64)
    return min(candidates, key=lambda step: int(np.abs(np.diff(times - step * places)).sum()))


def _decimals(values: Doubles) -> list[tuple[int, Integers]]:
    """Return the fewest decimals that give every value back exactly, with the scaled integers."""
    if not np.isfinite(values).all():
        return []
    bits = values.view(np.int64)
    with np.errstate(over="ignore"):
        for decimals in range(_MOST_DECIMALS + 1):
            power = 10.0**decimals
            scaled = np.rint(values * power)
            if not (np.abs(scaled) < _EXACT).all():
                return []
            whole = scaled.astype(np.int64)
            if np.array_equal((whole / power).view(np.int64), bits):  # -0.0 is not 0.0
                return [(decimals, whole)]
    return []


def _narrow(offsets: NDArray[np.uint64]) -> NDArray[Any]:
    largest = int(offsets.max())
    word = next(word for word in _WORDS if largest <= np.iinfo(word).max)
    return offsets.astype(word)


def _pco(words: NDArray[Any], config: Any) -> bytes:
    return bytes(pcodec.standalone.simple_compress(words, config))


def _even() -> tuple[Any, Any]:
    """Return the two ways to pack integers of which one is always near the best."""
    plain = pcodec.ModeSpec.classic()
    return (
        pcodec.ChunkConfig(mode_spec=plain, delta_spec=pcodec.DeltaSpec.no_op()),
        pcodec.ChunkConfig(mode_spec=plain, delta_spec=pcodec.DeltaSpec.try_consecutive(1)),
    )


def _zip(words: NDArray[Any]) -> bytes:
    """Return unsigned words as zlib's bytes: all first bytes, then all second ones, and so on."""
    steps = np.diff(words, prepend=words.dtype.type(0))
    size = words.dtype.itemsize
    ways = [
        zlib.compress(np.ascontiguousarray(way.view(np.uint8).reshape(-1, size).T).tobytes(), 9)
        for way in (words, steps)
    ]
    shorter = 0 if len(ways[0]) <= len(ways[1]) else 1
    return bytes((size, shorter)) + ways[shorter]


def _unzip(blob: bytes) -> NDArray[Any]:
    size = blob[0]
    planes = np.frombuffer(zlib.decompress(blob[2:]), dtype=np.uint8).reshape(size, -1)
    words = np.ascontiguousarray(planes.T).view(f"u{size}").reshape(-1)
    return np.cumsum(words, dtype=words.dtype) if blob[1] else words


def _unsigned(number: int) -> bytes:
    """Return a number ≥ 0 in groups of seven bits, the lowest first."""
    out = bytearray()
    while number > 0x7F:
        out.append(number & 0x7F | 0x80)
        number >>= 7
    out.append(number)
    return bytes(out)


def _read_unsigned(blob: bytes, place: int) -> tuple[int, int]:
    number = shift = 0
    while True:
        byte = blob[place]
        place += 1
        number |= (byte & 0x7F) << shift
        if byte < 0x80:
            return number, place
        shift += 7


def _signed(number: int) -> bytes:
    return _unsigned(number * 2 if number >= 0 else -number * 2 - 1)


def _read_signed(blob: bytes, place: int) -> tuple[int, int]:
    number, place = _read_unsigned(blob, place)
    return (number >> 1) ^ -(number & 1), place
