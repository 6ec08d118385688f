"""The alkalinity and calcium budget: what is used, and which way it comes in, out of the log.

Pure: entries of the log in, figures out. The tests' curve less all that was added falls by what the
animals take up. The reactor's supply depends on the system's own alkalinity, which is taken from
the hand tests around it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot
from statistics import median

from weirwatch.domain.keeper_log import LogEntry
from weirwatch.water.consumption import (
    Addition,
    Consumption,
    HandTest,
    Step,
    Supply,
    added_until,
    consumption,
    unexplained_steps,
)
from weirwatch.water.dosing import calcium_with_alkalinity_mg_L
from weirwatch.water.reactor import alkalinity_dkh_day

Span = tuple[float, float]
DAY = 86_400_000_000
NOISE = {"alkalinity": 0.1, "calcium": 5.0, "magnesium": 10.0}  # of a careful kit (common practice)
TOO_FAST = {"alkalinity": 1.0, "calcium": 20.0, "magnesium": 50.0}  # rise a day (common practice)
_STEP_SIGMAS = 5.0  # of the difference of two tests


@dataclass(frozen=True, slots=True)
class Flag:
    """Something to look at.

    Attributes:
        from_day, to_day: when, in days since 1970.
        what: `unexplained-rise`, `unexplained-fall` or `too-much-in-a-day`.
        amount: in the quantity's unit.
    """

    from_day: float
    to_day: float
    what: str
    amount: float


@dataclass(frozen=True, slots=True)
class Budget:
    """The budget of one quantity over a span, per day in its unit; None: too few tests.

    Attributes:
        consumption: what was taken up, with its standard error.
        reactor, dosed, changed: what came in by the reactor, by doses of every kind, by water
            changes; on average over the span of the tests.
        earlier, recent: consumption over the first and the last third of the span, with their
            errors; None with few tests.
        first, last: span of the tests, in days since 1970.
        doubtful: numbers of the tests that did not count.
        points: (days since 1970, value) of the tests.
    """

    quantity: str
    tests: int
    consumption: Consumption | None
    reactor: float
    dosed: float
    changed: float
    earlier: Consumption | None
    recent: Consumption | None
    first: float
    last: float
    doubtful: tuple[int, ...]
    flags: tuple[Flag, ...]
    points: tuple[tuple[float, float], ...] = ()

    @property
    def change(self) -> tuple[float, float] | None:
        """Return by how much the consumption has risen, with its error; None with few tests."""
        if self.earlier is None or self.recent is None:
            return None
        error = hypot(self.earlier.standard_error, self.recent.standard_error)
        return self.recent.per_day - self.earlier.per_day, error

    def share(self, per_day: float) -> float | None:
        """Return a supply as a part of the consumption, or None when that is not above 0."""
        if self.consumption is None or self.consumption.per_day <= 0.0:
            return None
        return per_day / self.consumption.per_day


@dataclass(frozen=True, slots=True)
class _Ways:
    """How a quantity came in."""

    doses: list[Addition]
    changes: list[Addition]
    daily: list[Supply]
    reactor: list[Supply]

    @property
    def additions(self) -> list[Addition]:
        return [*self.doses, *self.changes]

    @property
    def supplies(self) -> list[Supply]:
        """The steady feeds as one: their sum from each change on."""
        now = {"daily": 0.0, "reactor": 0.0}
        changes = [(s.day, "daily", s.per_day) for s in self.daily]
        changes += [(s.day, "reactor", s.per_day) for s in self.reactor]
        merged = []
        for day, feed, per_day in sorted(changes):
            now[feed] = per_day
            merged.append(Supply(day, sum(now.values())))
        return merged


def budget(
    entries: Sequence[LogEntry], quantity: str, volume_l: float | None, start: float, end: float
) -> Budget:
    """Return the budget of alkalinity, calcium or magnesium over `[start, end)`.

    Args:
        entries: of one system, corrected ones left out, in any order; older than `start` too, so
            that what was running then counts.
        quantity: alkalinity (dKH), calcium or magnesium (mg/L).
        volume_l: of the system; without it the reactor cannot be counted.
        start: in days since 1970.
        end: likewise.
    """
    ordered = sorted(entries, key=lambda entry: entry.time)
    numbered = _tests(ordered, quantity, start, end)
    tests = [test for _, test in numbered]
    ways = _ways(ordered, quantity, volume_l)
    points = tuple((test.day, test.value) for test in tests)
    empty = Budget(
        quantity, len(tests), None, 0.0, 0.0, 0.0, None, None, start, end, (), (), points
    )
    if len(tests) < 3:
        return empty
    first, last = tests[0].day, tests[-1].day
    noise = NOISE[quantity]
    found, steps = _with_steps(tests, ways, noise)
    whole = [*ways.additions, *map(_addition, steps)]
    span = last - first
    return Budget(
        quantity,
        len(tests),
        found,
        _between(first, last, (), ways.reactor) / span,
        _between(first, last, ways.doses, ways.daily) / span,
        _between(first, last, ways.changes) / span,
        *_thirds(tests, whole, ways.supplies, noise),
        first,
        last,
        tuple(numbered[at][0] for at in found.doubtful),
        (*_step_flags(steps), *_fast_flags(ways, found, quantity, (first, last))),
        points,
    )


def _tests(
    entries: Sequence[LogEntry], quantity: str, start: float, end: float
) -> list[tuple[int, HandTest]]:
    """Return (number, test), the later one of two at the same moment."""
    by_day = {
        entry.time / DAY: (entry.number, HandTest(entry.time / DAY, entry.value))
        for entry in entries
        if entry.kind == "test" and entry.subject == quantity and entry.value is not None
    }
    return [by_day[day] for day in sorted(by_day) if start <= day < end]


def _ways(entries: Sequence[LogEntry], quantity: str, volume_l: float | None) -> _Ways:
    ways = _Ways([], [], [], [])
    system = _Level(entries, quantity)
    alkalinity = _Level(entries, "alkalinity")
    feeds: dict[str, float] = {}
    for entry in entries:
        day = entry.time / DAY
        if entry.kind == "dose":
            _dose(ways, entry, day, quantity, feeds)
        elif entry.kind == "water-change":
            fresh = entry.detail["fresh"].get(quantity)
            now = system.at(day)
            if fresh is not None and now is not None:
                ways.changes.append(Addition(day, entry.detail["part"] * (fresh - now)))
        elif entry.kind == "reactor" and volume_l is not None and entry.value is not None:
            now = alkalinity.at(day)
            ways.reactor.append(Supply(day, _reactor(entry, quantity, now, volume_l)))
    return ways


def _dose(ways: _Ways, entry: LogEntry, day: float, quantity: str, feeds: dict[str, float]) -> None:
    rise = float(entry.detail["rises"].get(quantity, 0.0))
    if entry.detail.get("daily"):
        feeds[entry.subject] = rise
        ways.daily.append(Supply(day, sum(feeds.values())))
    elif rise:
        ways.doses.append(Addition(day, rise))


def _reactor(entry: LogEntry, quantity: str, system_dkh: float | None, volume_l: float) -> float:
    if not entry.value or quantity == "magnesium":
        return 0.0
    effluent = float(entry.detail["effluent_dkh"])
    dkh = alkalinity_dkh_day(
        entry.value, effluent, 8.0 if system_dkh is None else system_dkh, volume_l
    )
    return dkh if quantity == "alkalinity" else calcium_with_alkalinity_mg_L(max(0.0, dkh))


class _Level:
    """The system's own value around a day: the median of the nearest three tests."""

    def __init__(self, entries: Sequence[LogEntry], quantity: str) -> None:
        self._tests = [test for _, test in _tests(entries, quantity, -1e9, 1e9)]

    def at(self, day: float) -> float | None:
        near = sorted(self._tests, key=lambda test: abs(test.day - day))[:3]
        return median(test.value for test in near) if near else None


def _with_steps(
    tests: Sequence[HandTest], ways: _Ways, noise: float
) -> tuple[Consumption, list[Step]]:
    """Return the consumption once the steps that nothing explains are taken out, and these."""
    steps: list[Step] = []
    known, supplies = ways.additions, ways.supplies
    limit = _STEP_SIGMAS * noise * 2.0**0.5
    found = consumption(tests, known, supplies, noise)
    for _ in range(3):
        again = _lasting(unexplained_steps(tests, found.per_day, known, supplies, limit), noise)
        if again == steps:
            break
        steps = again
        found = consumption(tests, [*known, *map(_addition, steps)], supplies, noise)
    return found, steps


def _addition(step: Step) -> Addition:
    return Addition((step.after_day + step.by_day) / 2.0, step.amount)


def _lasting(steps: Sequence[Step], noise: float) -> list[Step]:
    """Leave out pairs of opposite steps at one test: that test was wrong, nothing was added."""
    kept: list[Step] = []
    for step in steps:
        before = kept[-1] if kept else None
        if (
            before is not None
            and before.by_day == step.after_day
            and abs(before.amount + step.amount) < 6.0 * noise
        ):
            kept.pop()
        else:
            kept.append(step)
    return kept


def _thirds(
    tests: Sequence[HandTest],
    additions: Sequence[Addition],
    supplies: Sequence[Supply],
    noise: float,
) -> tuple[Consumption | None, Consumption | None]:
    """Return the consumption over the first and over the last third of the span."""
    third = (tests[-1].day - tests[0].day) / 3.0
    first = [test for test in tests if test.day <= tests[0].day + third]
    last = [test for test in tests if test.day >= tests[-1].day - third]
    enough = [5 <= len(some) < len(tests) for some in (first, last)]
    made = [
        consumption(some, additions, supplies, noise) if fine else None
        for some, fine in zip((first, last), enough, strict=True)
    ]
    return made[0], made[1]


def _step_flags(steps: Sequence[Step]) -> list[Flag]:
    return [
        Flag(
            step.after_day,
            step.by_day,
            "unexplained-rise" if step.amount > 0 else "unexplained-fall",
            step.amount,
        )
        for step in steps
    ]


def _fast_flags(ways: _Ways, made: Consumption, quantity: str, span: Span) -> list[Flag]:
    """Days on which more came in than was used up, by more than is safe."""
    flags = []
    for day in sorted({int(addition.day) for addition in ways.additions}):
        rise = _between(day, day + 1, ways.additions, ways.supplies) - made.per_day
        if rise > TOO_FAST[quantity] and span[0] - 1 <= day <= span[1]:
            flags.append(Flag(day, day + 1, "too-much-in-a-day", rise))
    return flags


def _between(
    first: float, last: float, additions: Sequence[Addition], supplies: Sequence[Supply] = ()
) -> float:
    return added_until(last, additions, supplies) - added_until(first, additions, supplies)
