"""How long was a switch on, and how often did it start, within the last so many hours?

The window at `t` is everything after `t - window` up to and including `t`. What a switch does
between two readings is what the first one said, for at most the channel's `silent_after`; beyond
that nobody knows, which counts as not on. Memory is bounded: 256 separate stretches of on-time
are kept exactly; of more, neighbours are drawn together.
"""

from bisect import bisect_right
from dataclasses import dataclass, replace

from weirwatch.domain.hysteresis import on_too_long, started_too_often
from weirwatch.domain.instant import Micros
from weirwatch.domain.rule import Duty

MOST_STRETCHES = 256


@dataclass(frozen=True, slots=True)
class DutyWindow:
    """Never changed; `after` and `judged_at` return the next.

    Attributes:
        condition: window and limits.
        believed: a reading counts for so long; None: until the next.
        newest: time of the newest reading; None while there is none.
        judged: time of the newest look at it.
        on_since: begin of the stretch under way; None while off.
        stretches: (begin, end) of those that ended and are not wholly before the window.
        total: their length together.
        starts: times of the newest starts, as many as the limit asks for.
        coming: what time alone will bring, as (time, exceeded from then on), if the switch goes
            on as the newest reading said.
    """

    condition: Duty
    believed: Micros | None
    newest: Micros | None = None
    judged: Micros = 0
    on_since: Micros | None = None
    stretches: tuple[tuple[Micros, Micros], ...] = ()
    total: Micros = 0
    starts: tuple[Micros, ...] = ()
    coming: tuple[tuple[Micros, bool], ...] = ()

    def after(self, time: Micros, value: float) -> "DutyWindow":
        """Return the window with one more reading, later than all before it."""
        on, was_on = value != 0.0, self.on_since is not None
        if self.newest is None:
            begun = replace(self, newest=time, on_since=time if on else None)
            return begun._foreseen()
        unknown = self.stale(time)
        if on is was_on and not (on and unknown):
            return self._with(time, self.judged)._without_old(time)
        stretches, starts = self.stretches, self.starts
        if self.on_since is not None:
            end = self.newest + (self.believed or 0) if unknown else time
            stretches = _bounded((*stretches, (self.on_since, end)))
        elif self.condition.starts is not None:
            starts = (*starts, time)[-self.condition.starts :]
        total = sum(end - begin for begin, end in stretches)
        turned = replace(
            self,
            newest=time,
            on_since=time if on else None,
            stretches=stretches,
            total=total,
            starts=starts,
        )
        return turned._without_old(time)._foreseen()

    def judged_at(self, time: Micros) -> "DutyWindow":
        """Return the window as looked at; late news may have it looked at once more."""
        return self if time == self.judged else self._with(self.newest, time)

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
        on = self.total
        for begin, end in self.stretches:
            if begin >= edge:
                break
            on -= min(end, edge) - begin
        if self.on_since is not None:
            on += time - max(self.on_since, edge)
        return on

    def count_starts(self, time: Micros) -> int:
        """Return how many starts lie in the window at `time`, up to the limit."""
        return len(self.starts) - bisect_right(self.starts, time - self.condition.window)

    def next_change(self, present: bool, since: Micros = 0) -> Micros | None:
        """Return when time alone ends what is `present`, or brings what is not; None: never.

        Only what comes after the newest look, and not before `since`: what was judged already does
        not come again.
        """
        for time, exceeded in self.coming:
            if time > self.judged and time >= since and exceeded is not present:
                return None if self.stale(time) else time
        return None

    def _with(self, newest: Micros | None, judged: Micros) -> "DutyWindow":
        """Return the window with nothing else changed; for every reading, so by hand."""
        return DutyWindow(
            self.condition,
            self.believed,
            newest,
            judged,
            self.on_since,
            self.stretches,
            self.total,
            self.starts,
            self.coming,
        )

    def _without_old(self, time: Micros) -> "DutyWindow":
        """Return the window without the stretches that lie wholly before it."""
        edge = time - self.condition.window
        if not self.stretches or self.stretches[0][1] > edge:
            return self
        kept = tuple(stretch for stretch in self.stretches if stretch[1] > edge)
        return replace(self, stretches=kept, total=sum(end - begin for begin, end in kept))

    def _foreseen(self) -> "DutyWindow":
        coming = self._while_on() if self.on_since is not None else self._while_off()
        return replace(self, coming=tuple(coming))

    def _while_on(self) -> list[tuple[Micros, bool]]:
        """Return what is to come while it stays on."""
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
