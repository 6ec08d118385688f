"""How much of a supply is left, how fast it goes, how many days it lasts, and how far off that is.

Pure: entries and hourly means in, figures out. Errors are one standard deviation; an interval
of days takes two of them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import hypot, sqrt
from statistics import median, stdev

from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.keeper_log import LogEntry
from weirwatch.domain.quantity import convert
from weirwatch.settings import SupplySettings

HOUR: Micros = 3600 * SECOND
DAY: Micros = 24 * HOUR
LOOK_BACK: Micros = 14 * DAY  # of a channel, and of doses
_COUNTS_BACK: Micros = 400 * DAY
_ENOUGH_HOURS = 18  # of a day must have readings
_REFILL_PART = 0.02  # of the size: a rise of more than this in an hour is a refill
_COUNT_PART = 0.02  # of the size: how far off one count is (common practice, no source)
_PUMP_PART = 0.05  # how far off a dosing pump is (common practice, no source)
_TO_SIGMA = 1.4826  # median absolute deviation to standard deviation, normal distribution
_OF_MEDIAN = 1.2533  # standard error of a median against that of a mean, normal distribution


@dataclass(frozen=True, slots=True)
class Stock:
    """How a supply stands; amounts in its unit, None: not known.

    Attributes:
        left, left_error: now.
        per_day, per_day_error: how fast it goes.
        based_on: `counts`, `doses`, `channel`, or `nothing` known yet.
        as_of: time of the count or reading that it starts from.
    """

    left: float | None = None
    left_error: float | None = None
    per_day: float | None = None
    per_day_error: float | None = None
    based_on: str = "nothing"
    as_of: Micros | None = None

    @property
    def days(self) -> tuple[float | None, float | None, float | None]:
        """Return (days left, at least, at most); None: not known, or without end."""
        if self.left is None or self.per_day is None:
            return None, None, None
        left_error, rate_error = 2.0 * (self.left_error or 0.0), 2.0 * (self.per_day_error or 0.0)
        fastest, slowest = self.per_day + rate_error, self.per_day - rate_error
        least = max(0.0, self.left - left_error) / fastest if fastest > 0.0 else None
        most = (self.left + left_error) / slowest if slowest > 0.0 else None
        middle = self.left / self.per_day if self.per_day > 0.0 else None
        return middle, least, most


def stock_of_log(supply: SupplySettings, entries: Sequence[LogEntry], now: Micros) -> Stock:
    """Return how a supply stands by the counts of the log and, where it is dosed, by the doses.

    A count is an entry of kind `supply`; a fall from one to the next is what was used. A rise is a
    refill, whose own use only counts when the entry says what was left before.
    """
    counts = sorted(
        (e for e in entries if e.kind == "supply" and e.subject == supply.id and e.time <= now),
        key=lambda entry: (entry.time, entry.number),
    )
    if not counts:
        return Stock()
    last, error = counts[-1], _count_error(supply)
    left = float(last.value or 0.0)
    if supply.dose:
        return _by_doses(supply, entries, last, now)
    rate = _rate_of_counts([c for c in counts if c.time > now - _COUNTS_BACK], error)
    if rate is None:
        return Stock(left, error, based_on="counts", as_of=last.time)
    per_day, rate_error = rate
    gone = (now - last.time) / DAY
    return Stock(
        max(0.0, left - per_day * gone),
        hypot(error, rate_error * gone),
        per_day,
        rate_error,
        "counts",
        last.time,
    )


def stock_of_channel(supply: SupplySettings, hours: Mapping[Micros, float], now: Micros) -> Stock:
    """Return how a supply stands by hourly means (start of the hour → channel's value).

    Each of the last days falls by what was used; hours in which it rose by more than 2 % of the
    size were refills and do not count. Noise falls out: rises and falls of a day are added up.
    """
    amounts = {
        hour: (value - supply.empty_at) * supply.per_unit
        for hour, value in hours.items()
        if now - LOOK_BACK <= hour <= now
    }
    if not amounts:
        return Stock()
    newest = max(amounts)
    left = max(0.0, amounts[newest])
    refill = _REFILL_PART * (supply.size or max(1e-9, *amounts.values()))
    uses = _daily_uses(amounts, now, refill)
    if len(uses) < 3:
        return Stock(left, 0.0, based_on="channel", as_of=newest)
    per_day = median(uses)
    spread = _TO_SIGMA * median(abs(use - per_day) for use in uses)
    return Stock(left, 0.0, per_day, _OF_MEDIAN * spread / sqrt(len(uses)), "channel", newest)


def _daily_uses(amounts: Mapping[Micros, float], now: Micros, refill: float) -> list[float]:
    uses = []
    for back in range(LOOK_BACK // DAY):
        end = now - back * DAY
        inside = sorted(hour for hour in amounts if end - DAY <= hour <= end)
        if len(inside) < _ENOUGH_HOURS:
            continue
        steps = [(amounts[b] - amounts[a], b - a) for a, b in pairwise(inside)]
        kept = [(change, span) for change, span in steps if change <= refill]
        seen = sum(span for _, span in kept)
        if seen:
            uses.append(-sum(change for change, _ in kept) * DAY / seen)
    return uses


def _count_error(supply: SupplySettings) -> float:
    if supply.count_error is not None:
        return supply.count_error
    return _COUNT_PART * (supply.size or 0.0)


def _rate_of_counts(counts: Sequence[LogEntry], error: float) -> tuple[float, float] | None:
    """Return use per day and its error, or None without two counts to compare."""
    spans: list[tuple[float, float]] = []  # (days, used)
    for earlier, later in pairwise(counts):
        before = _before(earlier, later)
        days = (later.time - earlier.time) / DAY
        if before is not None and days > 0.0:
            spans.append((days, float(earlier.value or 0.0) - before))
    total = sum(days for days, _ in spans)
    if not total:
        return None
    per_day = sum(used for _, used in spans) / total
    of_counts = sqrt(2.0 * len(spans)) * error / total
    if len(spans) < 3:
        return per_day, of_counts
    scatter = sum(days * (used / days - per_day) ** 2 for days, used in spans)
    return per_day, max(of_counts, sqrt(scatter / ((len(spans) - 1) * total)))


def _before(earlier: LogEntry, later: LogEntry) -> float | None:
    """Return what was there just before the later count; None: it was filled, and nobody said."""
    told = later.detail.get("before")
    if told is not None:
        return float(told)
    now, then = float(later.value or 0.0), float(earlier.value or 0.0)
    return now if now <= then else None


def _by_doses(
    supply: SupplySettings, entries: Sequence[LogEntry], last: LogEntry, now: Micros
) -> Stock:
    doses = sorted(
        (e for e in entries if e.kind == "dose" and e.subject == supply.dose and e.time <= now),
        key=lambda entry: (entry.time, entry.number),
    )
    used = _dosed(supply, doses, last.time, now)
    left = max(0.0, float(last.value or 0.0) - used)
    error = hypot(_count_error(supply), _PUMP_PART * used)
    first = min((dose.time for dose in doses), default=now)
    days = min(LOOK_BACK, now - first) // DAY
    if days < 1:
        return Stock(left, error, based_on="doses", as_of=last.time)
    daily = [_dosed(supply, doses, now - (n + 1) * DAY, now - n * DAY) for n in range(days)]
    per_day = sum(daily) / days
    scatter = stdev(daily) / sqrt(days) if days > 1 else 0.0
    return Stock(left, error, per_day, hypot(scatter, _PUMP_PART * per_day), "doses", last.time)


def _dosed(supply: SupplySettings, doses: Sequence[LogEntry], start: Micros, end: Micros) -> float:
    """Return what doses took out of the supply in `[start, end)`, in its unit."""
    total, running, since = 0.0, 0.0, start
    for dose in doses:
        amount = _amount(supply, dose)
        if dose.detail.get("daily"):
            upto = min(max(dose.time, start), end)
            total += running * (upto - since) / DAY
            running, since = amount, upto
        elif start <= dose.time < end:
            total += amount
    return total + running * (end - since) / DAY


def _amount(supply: SupplySettings, dose: LogEntry) -> float:
    """Return one dose in the supply's unit; 0 when it cannot be told."""
    value = float(dose.value or 0.0)
    try:
        return convert(value, dose.unit, supply.unit)
    except ValueError:
        pass
    try:
        if dose.unit == "g" and supply.strength_g_l is not None:
            return convert(value / supply.strength_g_l, "L", supply.unit)
    except ValueError:
        pass
    return 0.0
