"""Where is a value heading? A robust slope over a window, kept reading by reading.

The window is cut into at most 64 equal cells on a fixed grid of time. A cell is judged by the
median of its readings and of their times; the slope is that of Theil and Sen: the median of the
slopes between every two cells (H. Theil 1950; P. K. Sen, J. Am. Stat. Assoc. 63, 1968, 1379).
Up to 29 % of the cells may be wild without moving it far. Work and memory are bounded: a reading
touches its own cell only, and a cell that closes touches 63 slopes.
"""

from array import array
from bisect import bisect_left, insort
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from weirwatch.domain.instant import Micros

MOST_CELLS = 64
MOST_IN_CELL = 128  # readings kept of an open cell; more are thinned out evenly
_RUNGS = (64, 32, 16, 8)  # cells to try when nobody knows how often a channel reports
_MANY = 4  # so many cells gone at once: all slopes are computed afresh


class Trend(NamedTuple):
    """A straight line.

    Attributes:
        slope: in the value's unit per microsecond.
        level: on the line at the newest reading's time; nearer the truth than one reading.
    """

    slope: float
    level: float


class Cell(NamedTuple):
    """A cell's number on the grid, and the medians of its readings' times and values."""

    number: int
    time: float
    value: float


class Open(NamedTuple):
    """The cell that readings still fall into.

    Attributes:
        kept: (time, value), every `stride`th of the `seen` readings so far.
    """

    number: int
    kept: tuple[tuple[Micros, float], ...]
    seen: int
    stride: int

    def cell(self) -> Cell:
        """Return the cell as it stands."""
        values = sorted(value for _, value in self.kept)
        return Cell(self.number, _median([time for time, _ in self.kept]), _median(values))

    def after(self, time: Micros, value: float) -> "Open":
        """Return the cell with one more reading."""
        kept, stride = self.kept, self.stride
        if self.seen % stride == 0:
            kept = (*kept, (time, value))
        if len(kept) >= MOST_IN_CELL:
            kept, stride = kept[::2], 2 * stride
        return Open(self.number, kept, self.seen + 1, stride)


@dataclass(frozen=True, slots=True)
class TrendWindow:
    """One window of `count` cells, `width` each; never changed, `after` returns the next.

    Attributes:
        newest: time of the newest reading in it; None while empty.
        closed: cells before the open one, within the window, oldest first.
        slopes: between every two closed cells, sorted, per microsecond.
    """

    width: Micros
    count: int
    newest: Micros | None = None
    closed: tuple[Cell, ...] = ()
    slopes: Sequence[float] = ()
    open: Open | None = None

    def after(self, time: Micros, value: float) -> "TrendWindow":
        """Return the window with one more reading, later than all before it."""
        number, opened = time // self.width, self.open
        if opened is not None and opened.number == number:
            opened, closed, slopes = opened.after(time, value), self.closed, self.slopes
        else:
            closed, slopes = self._closed(number)
            opened = Open(number, ((time, value),), 1, 1)
        return TrendWindow(self.width, self.count, time, closed, slopes, opened)

    def trend(self) -> Trend | None:
        """Return the trend, or None while fewer than 80 % of the cells have readings."""
        slope, newest = self.slope(), self.newest
        if slope is None or newest is None or self.open is None:
            return None
        cells = (*self.closed, self.open.cell())
        levels = sorted([value - slope * (time - newest) for _, time, value in cells])
        return Trend(slope, _median(levels))

    def slope(self) -> float | None:
        """Return the trend's slope alone, for less than half the work."""
        closed = self.closed
        filled = len(closed) + 1
        if self.open is None or filled < 2 or 5 * filled < 4 * self.count:
            return None
        _, at, ends = self.open.cell()
        # Written out: this is what a reading costs.
        to_last = sorted([(ends - value) / (at - time) for _, time, value in closed])
        return _median_of_both(self.slopes, to_last)

    def _closed(self, number: int) -> tuple[tuple[Cell, ...], Sequence[float]]:
        """Return the closed cells and their slopes when the cell of that number opens."""
        if self.open is None:
            return self.closed, self.slopes
        cells = (*self.closed, self.open.cell())
        oldest = number - self.count
        gone = sum([cell.number <= oldest for cell in cells])
        return cells[gone:], self._slopes(cells, gone)

    def _slopes(self, cells: tuple[Cell, ...], gone: int) -> Sequence[float]:
        """Return the slopes between all but the first `gone` cells; the last one is new."""
        kept = cells[gone:]
        if gone > _MANY:
            pairs = ((one, other) for n, other in enumerate(kept) for one in kept[:n])
            return array("d", sorted(_slope(one, other) for one, other in pairs))
        slopes = array("d", self.slopes)
        for n, (_, time, value) in enumerate(cells[:gone]):
            for _, other_time, other in cells[n + 1 : -1]:
                del slopes[bisect_left(slopes, (other - value) / (other_time - time))]
        _, at, ends = cells[-1]
        for _, time, value in kept[:-1]:
            insort(slopes, (ends - value) / (at - time))
        return slopes


@dataclass(frozen=True, slots=True)
class TrendWindows:
    """The same window in finer and coarser cells: the finest that is filled well is judged."""

    rungs: tuple[TrendWindow, ...]

    @property
    def newest(self) -> Micros | None:
        """Time of the newest reading in it."""
        return self.rungs[0].newest

    def after(self, time: Micros, value: float) -> "TrendWindows":
        """Return the windows with one more reading, later than all before it."""
        return TrendWindows(tuple([rung.after(time, value) for rung in self.rungs]))

    def trend(self) -> Trend | None:
        """Return the trend by the finest cells of which at least 80 % are filled, or None."""
        for rung in self.rungs:
            trend = rung.trend()
            if trend is not None:
                return trend
        return None

    def slope(self) -> float | None:
        """Return the slope of `trend` alone."""
        for rung in self.rungs:
            slope = rung.slope()
            if slope is not None:
                return slope
        return None


def empty_trend(window: Micros, expected_every: Micros | None) -> TrendWindows:
    """Return an empty window.

    With a known `expected_every` a cell is at least twice as long, so that one reading late does
    not leave it empty; else 64, 32, 16 and 8 cells are kept side by side.
    """
    if expected_every is None:
        counts: tuple[int, ...] = _RUNGS
    else:
        counts = (max(2, min(MOST_CELLS, window // (2 * expected_every))),)
    return TrendWindows(tuple(TrendWindow(-(-window // count), count) for count in counts))


def _slope(one: Cell, other: Cell) -> float:
    return (other.value - one.value) / (other.time - one.time)


def _median(ordered: Sequence[float]) -> float:
    half = len(ordered) // 2
    if len(ordered) % 2:
        return ordered[half]
    return (ordered[half - 1] + ordered[half]) / 2


def _median_of_both(one: Sequence[float], other: Sequence[float]) -> float:
    """Return the median of two sorted sequences taken together."""
    total = len(one) + len(other)
    upper = _nth(one, other, total // 2)
    return upper if total % 2 else (_nth(one, other, total // 2 - 1) + upper) / 2


def _nth(one: Sequence[float], other: Sequence[float], n: int) -> float:
    """Return the n-th smallest (from 0) of two sorted sequences, by halving."""
    low, high = max(0, n + 1 - len(one)), min(n + 1, len(other))
    while low < high:
        taken = (low + high) // 2  # from the other; the rest of n + 1 from the one
        if other[taken] < one[n - taken]:
            low = taken + 1
        else:
            high = taken
    ends = []
    if low:
        ends.append(other[low - 1])
    if n - low >= 0:
        ends.append(one[n - low])
    return max(ends)
