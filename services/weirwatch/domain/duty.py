"""How long was a switch on, and how often did it start, within the last so many hours?

The window at `t` is everything after `t - window` up to and including `t`. What a switch does
between two readings is what the first one said, for at most the channel's `silent_after`; beyond
that nobody knows, which counts as not on. Memory is bounded: 256 separate stretches of on-time
are kept exactly; of more, neighbours are drawn together.
"""

from dataclasses import dataclass, replace

from weirwatch.domain.hysteresis import on_too_long, started_too_often
from weirwatch.domain.instant import Micros
from weirwatch.domain.rule import Duty

MOST_STRETCHES = 256


@dataclass(frozen=True, slots=True)
class DutyWindow:
    """Never changed; `after` returns the next.

    Attributes:
        condition: window and limits.
        believed: a reading counts for so long; None: until the next.
        newest: time of the newest reading; None while there is none.
        on_since: begin of the stretch under way; None while off.
        stretches: (begin, end) of those that ended, oldest first.
        starts: times of the newest starts, as many as the limit asks for.
    """

    condition: Duty
    believed: Micros | None
    newest: Micros | None = None
    on_since: Micros | None = None
    stretches: tuple[tuple[Micros, Micros], ...] = ()
    starts: tuple[Micros, ...] = ()

    def after(self, time: Micros, value: float) -> "DutyWindow":
        """Return the window with one more reading, later than all before it."""
        on = value != 0.0
        if self.newest is None:
            return replace(self, newest=time, on_since=time if on else None)
        unknown = self.stale(time)
        if on is (self.on_since is not None) and not (on and unknown):
            return replace(self, newest=time)
        edge = time - self.condition.window
        stretches, starts = self.stretches, self.starts
        if self.on_since is not None:
            end = self.newest + (self.believed or 0) if unknown else time
            kept = tuple(stretch for stretch in stretches if stretch[1] > edge)
            stretches = _bounded((*kept, (self.on_since, end)))
        elif self.condition.starts is not None:
            starts = (*starts, time)[-self.condition.starts :]
        return replace(
            self,
            newest=time,
            on_since=time if on else None,
            stretches=stretches,
            starts=starts,
        )

    def stale(self, time: Micros) -> bool:
        """Return whether at `time` nobody knows any longer what the switch does."""
        if self.newest is None:
            return True
        return self.believed is not None and time - self.newest > self.believed

    def exceeded(self, time: Micros) -> bool:
        """Return whether a limit is exceeded at `time`, which is not before the newest reading."""
        often = started_too_often(self.condition, self.count_starts(time))
        return often or self._too_long(time)

    def on_time(self, time: Micros) -> Micros:
        """Return for how long it was on within the window at `time`."""
        edge = time - self.condition.window
        total = sum(end - max(begin, edge) for begin, end in self.stretches if end > edge)
        if self.on_since is not None:
            total += time - max(self.on_since, edge)
        return total

    def count_starts(self, time: Micros) -> int:
        """Return how many starts lie in the window at `time`, up to the limit."""
        edge = time - self.condition.window
        return sum(start > edge for start in self.starts)

    def next_change(self, present: bool) -> Micros | None:
        """Return when time alone ends what is `present`, or brings what is not; None: never.

        Assumes that the switch goes on as the newest reading said.
        """
        if self.newest is None:
            return None
        coming = self._while_on() if self.on_since is not None else self._while_off()
        found = next((time for time, exceeded in coming if exceeded is not present), None)
        return None if found is None or self.stale(found) else found

    def _while_on(self) -> list[tuple[Micros, bool]]:
        """Return what is to come while it stays on, as (time, exceeded from then on)."""
        if self.newest is None or self._too_long(self.newest):
            return []
        too_long, fewer = self._reaches(), self._fewer()
        coming = [] if too_long is None else [(too_long, True)]
        if fewer is None:
            return coming
        return [] if too_long is not None and too_long <= fewer else [(fewer, False), *coming]

    def _while_off(self) -> list[tuple[Micros, bool]]:
        """Return what is to come while it stays off: limits can only cease to be exceeded."""
        ends = [end for end in (self._falls(), self._fewer()) if end is not None]
        return [(max(ends), False)] if ends else []

    def _too_long(self, time: Micros) -> bool:
        return on_too_long(self.condition, self.on_time(time), self.on_time(time + 1))

    def _reaches(self) -> Micros | None:
        """Return when the on-time reaches its limit: off-time has to leave the window for it."""
        limit, newest = self.condition.on_for, self.newest
        if limit is None or newest is None or self.on_since is None:
            return None
        edge = newest - self.condition.window
        missing = limit - self.on_time(newest)
        for begin, end in (*self.stretches, (self.on_since, newest)):
            if begin - edge >= missing:
                return edge + missing + self.condition.window
            missing -= max(0, begin - edge)
            edge = max(edge, end)
        return None

    def _falls(self) -> Micros | None:
        """Return when the on-time falls below its limit, as on-time leaves the window."""
        limit, newest = self.condition.on_for, self.newest
        if limit is None or newest is None or not self._too_long(newest):
            return None
        edge = newest - self.condition.window
        spare = self.on_time(newest) - limit
        for stretch, end in self.stretches:
            begin = max(stretch, edge)
            if end - begin > spare:
                return begin + spare + self.condition.window
            spare -= max(0, end - begin)
        return None

    def _fewer(self) -> Micros | None:
        """Return when too many starts are too many no longer; None: they are not."""
        limit, newest = self.condition.starts, self.newest
        if limit is None or newest is None:
            return None
        if not started_too_often(self.condition, self.count_starts(newest)):
            return None
        return self.starts[-limit] + self.condition.window


def _bounded(stretches: tuple[tuple[Micros, Micros], ...]) -> tuple[tuple[Micros, Micros], ...]:
    """Return at most twice `MOST_STRETCHES`; neighbours are drawn together, no on-time is lost."""
    if len(stretches) < 2 * MOST_STRETCHES:
        return stretches
    pairs = zip(stretches[::2], stretches[1::2], strict=True)
    return tuple((begin - (before - first), end) for (first, before), (begin, end) in pairs)
