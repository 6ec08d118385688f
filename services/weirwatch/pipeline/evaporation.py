"""Evaporation per day out of what the top-off replaced: its running time, or its reservoir's fall.

The one formula that needs a window: cells of ten minutes, each with how long was seen and how much
water went. The sum over a day is a mean over the saw-tooth of the top-off.
"""

from collections import deque
from dataclasses import dataclass, field

from weirwatch.domain.instant import SECOND, Micros

_CELL: Micros = 600 * SECOND
_GAP: Micros = 300 * SECOND  # between two readings of a channel that reports on time
_ENOUGH = 0.8  # of the window must have been seen
_HOUR: Micros = 3600 * SECOND
_DAY: Micros = 24 * _HOUR


@dataclass(slots=True)
class Window:
    """What was seen of the last hours of one top-off; used by the loop thread only.

    Attributes:
        span: length of the window.
        rate_l_h: while the switch is on; None: the level tells.
        litres_per_mm: of the reservoir's level.
        refill_mm: a rise of the level beyond this is a refill and counts for nothing.
        gap: a longer silence was not seen; None: the channel reports on change only.
    """

    span: Micros
    rate_l_h: float | None = None
    litres_per_mm: float = 0.0
    refill_mm: float = 5.0
    gap: Micros | None = _GAP
    _cells: deque[tuple[Micros, Micros, float]] = field(default_factory=deque)
    _last: tuple[Micros, float] | None = None
    _levels: list[float] = field(default_factory=list)
    _level: tuple[Micros, float] | None = None

    def see(self, time: Micros, value: float) -> None:
        """Take one good reading of the switch or the level, in rising order of time."""
        last, self._last = self._last, (time, value)
        if last is None or time <= last[0]:
            return
        if self.rate_l_h is None:
            self._see_level(last, time)
        elif self.gap is None or time - last[0] <= self.gap:
            on = last[1] >= 0.5
            seen = time - last[0]
            self._add(time, seen, self.rate_l_h * seen / _HOUR if on else 0.0)
        while self._cells and self._cells[0][0] <= time - self.span:
            self._cells.popleft()

    def per_day(self) -> tuple[float, float]:
        """Return (litres per day, part of the window that was seen); 0 before anything was."""
        seen = sum(cell[1] for cell in self._cells)
        if not seen:
            return 0.0, 0.0
        return max(0.0, sum(c[2] for c in self._cells)) * _DAY / seen, min(1.0, seen / self.span)

    @property
    def enough(self) -> bool:
        """Whether enough of the window was seen."""
        return self.per_day()[1] >= _ENOUGH

    def _see_level(self, last: tuple[Micros, float], time: Micros) -> None:
        """Compare the means of neighbouring cells: noise of single readings falls out."""
        self._levels.append(last[1])
        if last[0] // _CELL == time // _CELL:
            return
        mean, self._levels = sum(self._levels) / len(self._levels), []
        before, self._level = self._level, (last[0], mean)
        if before is None or last[0] - before[0] > 2 * _CELL:
            return
        fall = before[1] - mean
        if fall >= -self.refill_mm:
            self._add(last[0], last[0] - before[0], fall * self.litres_per_mm)

    def _add(self, time: Micros, seen: Micros, litres: float) -> None:
        if self._cells and self._cells[-1][0] // _CELL == time // _CELL:
            _, before, amount = self._cells.pop()
            self._cells.append((time, before + seen, amount + litres))
        else:
            self._cells.append((time, seen, litres))
