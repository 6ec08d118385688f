"""Recorded readings to be played again in a drill: by channel, moved in time, with their doubts."""

from array import array
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise

from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Quality, Reading
from weirwatch.ports import Decoded, Decoder, WireMessage


@dataclass(frozen=True, slots=True)
class Tracks:
    """A recording.

    Attributes:
        times: channel → rising times.
        values: channel → as many values.
        doubted: (channel, time) → quality and reason, of readings that were not good.
        left_out: channel → how many of its readings cannot be played: derived ones, which are
            computed anew, and those of another system.
    """

    times: Mapping[str, "array[int]"]
    values: Mapping[str, "array[float]"]
    doubted: Mapping[tuple[str, Micros], tuple[Quality, str]]
    left_out: Mapping[str, int] = field(default_factory=dict)

    @property
    def first(self) -> Micros | None:
        """The first reading's time; None: there is none."""
        return min((times[0] for times in self.times.values()), default=None)

    @property
    def last(self) -> Micros | None:
        """The last reading's time."""
        return max((times[-1] for times in self.times.values()), default=None)

    @property
    def readings(self) -> int:
        """How many there are."""
        return sum(len(times) for times in self.times.values())

    def part(self, begin: Micros, end: Micros, shift: Micros) -> "Tracks":
        """Return what lies in [begin, end], moved by `shift`; channels without any are gone."""
        times: dict[str, array[int]] = {}
        values: dict[str, array[float]] = {}
        for channel, all_times in self.times.items():
            low, high = bisect_left(all_times, begin), bisect_right(all_times, end)
            if low < high:
                times[channel] = array("q", (time + shift for time in all_times[low:high]))
                values[channel] = self.values[channel][low:high]
        doubted = {
            (channel, time + shift): doubt
            for (channel, time), doubt in self.doubted.items()
            if begin <= time <= end
        }
        return Tracks(times, values, doubted, self.left_out)


def tracks_of(readings: Iterable[Reading], playable: Collection[str]) -> Tracks:
    """Return readings in any order as tracks; of two at one time the first one in the file stays.

    Args:
        readings: as a file has them.
        playable: channels that can be played.
    """
    times: dict[str, array[int]] = {}
    values: dict[str, array[float]] = {}
    doubted: dict[tuple[str, Micros], tuple[Quality, str]] = {}
    left_out: Counter[str] = Counter()
    for reading in readings:
        if reading.channel not in playable:
            left_out[reading.channel] += 1
            continue
        times.setdefault(reading.channel, array("q")).append(reading.time)
        values.setdefault(reading.channel, array("d")).append(reading.value)
        if reading.quality is not Quality.GOOD:
            key = (reading.channel, reading.time)
            doubted.setdefault(key, (reading.quality, reading.reason or "as it was recorded"))
    for channel, of_channel in times.items():
        if any(one >= two for one, two in pairwise(of_channel)):
            times[channel], values[channel] = _in_order(of_channel, values[channel])
    return Tracks(times, values, doubted, dict(left_out))


def _in_order(times: "array[int]", values: "array[float]") -> tuple["array[int]", "array[float]"]:
    first: dict[int, float] = {}
    for time, value in zip(times, values, strict=True):
        first.setdefault(time, value)
    ordered = sorted(first)
    return array("q", ordered), array("d", (first[time] for time in ordered))


class Recalling:
    """A decoder that gives recorded readings the quality back that they had.

    Args:
        decoder: for the wire, which has no word for quality.
        doubted: as of `Tracks`.
    """

    def __init__(
        self, decoder: Decoder, doubted: Mapping[tuple[str, Micros], tuple[Quality, str]]
    ) -> None:
        self._decoder = decoder
        self._doubted = doubted
        self.trust_clock = True

    def decode(self, message: WireMessage, now: Micros) -> Decoded:
        """Return what a message means."""
        self._decoder.trust_clock = self.trust_clock
        decoded = self._decoder.decode(message, now)
        return decoded._replace(readings=[self._recall(r) for r in decoded.readings])

    def _recall(self, reading: Reading) -> Reading:
        doubt = self._doubted.get((reading.channel, reading.time))
        return reading if doubt is None else reading._replace(quality=doubt[0], reason=doubt[1])
