"""What the animals take up: alkalinity per day, out of hand tests and everything that was added.

The tests' curve less all that was added is a falling line; its slope is the consumption. Calcium
works the same with calcium's numbers: any one unit of concentration will do.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from weirwatch.water.fits import straight_line, theil_sen_slope
from weirwatch.water.ranges import in_range, rising

_MAD_TO_SIGMA = 1.4826  # for normal errors


@dataclass(frozen=True, slots=True)
class HandTest:
    """A hand test. `day`: time in days from any start; `value`: concentration, e.g. dKH."""

    day: float
    value: float


@dataclass(frozen=True, slots=True)
class Addition:
    """A dose, or the jump of a water change. `amount`: rise of the system, same unit as tests."""

    day: float
    amount: float


@dataclass(frozen=True, slots=True)
class Supply:
    """A steady feed from `day` on until the next one: `per_day`, same unit as tests, per day."""

    day: float
    per_day: float


@dataclass(frozen=True, slots=True)
class Consumption:
    """What was taken up.

    Attributes:
        per_day: in the tests' unit per day; negative: something was added that is not in the log.
        standard_error: of the regression, same unit.
        tests: number of tests that counted.
        doubtful: indices of tests so far off the line that they did not count.
    """

    per_day: float
    standard_error: float
    tests: int
    doubtful: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Step:
    """A change between two tests that log and consumption do not explain.

    Attributes:
        after_day, by_day: it happened between these.
        amount: in the tests' unit; positive: something was added (an overdose, a double dose).
    """

    after_day: float
    by_day: float
    amount: float


def added_until(
    day: float, additions: Sequence[Addition], supplies: Sequence[Supply] = ()
) -> float:
    """Return all that was added before this time, in the tests' unit.

    Args:
        day: within a million days; an addition at this very moment counts after it.
        additions: in any order.
        supplies: in rising order of their day; nothing flows before the first.

    Source: sum of doses and of rate × time.

    Raises:
        ValueError: outside that range, or supplies out of order.
    """
    in_range("day", day, -1e6, 1e6, "days")
    total = sum(addition.amount for addition in additions if addition.day < day)
    starts = [supply.day for supply in supplies]
    if sorted(starts) != starts:
        raise ValueError("supplies must be in rising order of their day")
    for supply, end in zip(supplies, [*starts[1:], day], strict=False):
        total += supply.per_day * max(0.0, min(end, day) - supply.day)
    return total


def consumption(
    tests: Sequence[HandTest],
    additions: Sequence[Addition] = (),
    supplies: Sequence[Supply] = (),
    noise: float = 0.1,
) -> Consumption:
    """Return the uptake per day over the time of the tests, with its uncertainty.

    A robust line first (Theil-Sen), to find tests further from it than 4 sigma; then least squares
    over the others.

    Args:
        tests: at least three, in rising order of time.
        additions: everything dosed by hand or by pump.
        supplies: reactor and lime-water, as rates.
        noise: repeatability of one test in its unit, above 0: nothing within 4 of it is doubtful.
            0.1 dKH is a careful titration (common practice, no source).

    Source: mass balance; Theil-Sen and ordinary least squares.

    Raises:
        ValueError: fewer than three tests, tests out of order, or supplies out of order.
    """
    in_range("noise", noise, 1e-9, 1e6)
    days = [test.day for test in tests]
    rising("day of the tests", days, at_least=3)
    own = [test.value - added_until(test.day, additions, supplies) for test in tests]
    slope = theil_sen_slope(days, own)
    misses = [value - slope * day for day, value in zip(days, own, strict=True)]
    middle = median(misses)
    sigma = max(noise, _MAD_TO_SIGMA * median(abs(miss - middle) for miss in misses))
    doubtful = tuple(i for i, miss in enumerate(misses) if abs(miss - middle) > 4.0 * sigma)
    kept = [i for i in range(len(tests)) if i not in doubtful]
    if len(kept) < 3:
        kept, doubtful = list(range(len(tests))), ()
    line = straight_line([days[i] for i in kept], [own[i] for i in kept])
    return Consumption(-line.slope, line.slope_error, len(kept), doubtful)


def unexplained_steps(
    tests: Sequence[HandTest],
    per_day: float,
    additions: Sequence[Addition] = (),
    supplies: Sequence[Supply] = (),
    limit: float = 0.5,
) -> list[Step]:
    """Return the changes between neighbouring tests that nothing in the log explains.

    A single bad test shows as a pair of opposite steps; a dose nobody wrote down as one.

    Args:
        tests: at least two, in rising order of time.
        per_day: consumption over that time, −10 000 to 10 000.
        additions: as in `consumption`.
        supplies: as in `consumption`.
        limit: smallest change worth showing, in the tests' unit, above 0.

    Source: mass balance.

    Raises:
        ValueError: fewer than two tests, tests or supplies out of order.
    """
    rising("day of the tests", [test.day for test in tests], at_least=2)
    in_range("per_day", per_day, -1e4, 1e4)
    in_range("limit", limit, 1e-9, 1e6)
    steps = []
    for before, after in pairwise(tests):
        added = added_until(after.day, additions, supplies)
        added -= added_until(before.day, additions, supplies)
        expected = added - per_day * (after.day - before.day)
        amount = after.value - before.value - expected
        if abs(amount) > limit:
            steps.append(Step(before.day, after.day, amount))
    return steps
