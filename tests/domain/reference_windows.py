"""The reference's kinds that look back: every window is made anew from all readings, each time."""

from itertools import combinations, pairwise
from statistics import median
from typing import NamedTuple

from weirwatch.domain.reading import Channel
from weirwatch.domain.rule import Duty, Forecast, RateOfChange, Side


class Good(NamedTuple):
    """One good reading."""

    time: int
    value: float


def change_shows(condition: RateOfChange, channel: Channel, good: list[Good], was: bool) -> bool:
    """Whether the value rises or falls too fast; as before while nobody can tell."""
    line = _line(condition.window, channel, good)
    if line is None:
        return was
    change = line[0] * condition.window
    for limit, value in ((condition.rise, change), (condition.fall, -change)):
        if limit is not None and (value >= limit or (was and value > limit - condition.deadband)):
            return True
    return False


def forecast_shows(condition: Forecast, channel: Channel, good: list[Good], was: bool) -> bool:
    """Whether the trend reaches the limit in time; as before while nobody can tell."""
    line = _line(condition.window, channel, good)
    if line is None:
        return was
    sign = 1 if condition.side is Side.HIGH else -1
    slope, level, limit = sign * line[0], sign * line[1], sign * condition.limit
    if level >= limit:
        return True
    return slope > 0 and (limit - level) / slope <= condition.within


def duty_shows(condition: Duty, channel: Channel, good: list[Good], was: bool, now: int) -> bool:
    """Whether it was on too long or started too often; as before while nobody can tell."""
    span = channel.silent_after
    if not good or (span is not None and now - good[-1].time > span):
        return was
    starts = [later.time for earlier, later in pairwise(good) if later.value and not earlier.value]
    recent = [time for time in starts if time > now - condition.window]
    if condition.starts is not None and len(recent) >= condition.starts:
        return True
    if condition.on_for is None:
        return False
    return all(_on_time(condition, span, good, at) >= condition.on_for for at in (now, now + 1))


def _on_time(condition: Duty, span: int | None, good: list[Good], now: int) -> int:
    total = 0
    for number, reading in enumerate(good):
        last = number + 1 == len(good)
        end = now if last else good[number + 1].time
        if not last and span is not None:
            end = min(end, reading.time + span)
        if reading.value:
            total += max(0, min(end, now) - max(reading.time, now - condition.window))
    return total


def _line(window: int, channel: Channel, good: list[Good]) -> tuple[float, float] | None:
    """Slope and present level, by the finest cells of which four fifths are filled."""
    counts = [64, 32, 16, 8]
    if channel.expected_every is not None:
        counts = [max(2, min(64, window // (2 * channel.expected_every)))]
    for count in counts:
        width = -(-window // count)
        cells = _cells(good, width, count)
        if len(cells) < 2 or len(cells) * 5 < count * 4:
            continue
        slope = median((b.value - a.value) / (b.time - a.time) for a, b in combinations(cells, 2))
        newest = good[-1].time
        return slope, median(cell.value - slope * (cell.time - newest) for cell in cells)
    return None


def _cells(good: list[Good], width: int, count: int) -> list[Good]:
    if not good:
        return []
    newest = good[-1].time // width
    numbers = range(newest - count + 1, newest + 1)
    inside = [[g for g in good if g.time // width == number] for number in numbers]
    return [
        Good(median(g.time for g in cell), median(g.value for g in cell))  # type: ignore[arg-type]
        for cell in inside
        if cell
    ]
