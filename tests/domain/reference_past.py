"""The reference's list of everything seen, and what a rule's condition was at any point of it.

Naive on purpose: every question goes through the list from an end; nothing is kept between two.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import NamedTuple

from domain.reference_windows import Good, change_shows, duty_shows, forecast_shows

from weirwatch.domain.reading import Channel, Quality, Reading
from weirwatch.domain.rule import (
    Absolute,
    AlarmStands,
    BadMeasurement,
    Between,
    ChannelBeyond,
    ChannelIs,
    Deviation,
    Discrepancy,
    Duty,
    Forecast,
    RateOfChange,
    Rule,
    Side,
    SwitchIs,
    While,
)


class Seen(NamedTuple):
    """A reading on the list; `outside` says that it was beyond its valid range."""

    time: int
    channel: str
    value: float
    quality: Quality
    outside: bool


class Stood(NamedTuple):
    """From here on the rule's alarm stands, or no longer."""

    time: int
    rule: str
    stands: bool


class Linked(NamedTuple):
    """The broker came or went; a restart is both, and voids what was pending."""

    time: int
    up: bool
    restart: bool


@dataclass
class Past:
    """Everything seen so far, in order. `upto` in a question: as it was after so many items."""

    channels: dict[str, Channel]
    items: list[Seen | Stood | Linked] = field(default_factory=list)

    def add_reading(self, reading: Reading) -> bool:
        """Judge a reading and put it on the list, unless it is not newer than what is there."""
        newest = self.newest(reading.channel)
        if newest is not None and reading.time <= newest.time:
            return False
        valid = self.channels[reading.channel].valid
        outside = valid is not None and not valid[0] <= reading.value <= valid[1]
        quality = Quality.BAD if outside else reading.quality
        self.items.append(Seen(reading.time, reading.channel, reading.value, quality, outside))
        return True

    def newest(self, channel: str, upto: int | None = None) -> Seen | None:
        return next(self._backwards(channel, upto), None)

    def newest_good(self, channel: str, upto: int | None = None) -> Seen | None:
        readings = self._backwards(channel, upto)
        return next((seen for seen in readings if seen.quality is Quality.GOOD), None)

    def stood(self, rule: str, upto: int) -> bool:
        stood = [i for i in self.items[:upto] if isinstance(i, Stood) and i.rule == rule]
        return bool(stood) and stood[-1].stands

    def silent_after(self, rule: Rule) -> int | None:
        assert rule.channel is not None
        return self.channels[rule.channel].silent_after

    def contact(self, rule: Rule) -> bool:
        """Whether what its channel said last is so until it says something else."""
        assert rule.channel is not None
        return self.channels[rule.channel].is_switch and self.silent_after(rule) is None

    def falls_silent(self, rule: Rule, time: int) -> bool:
        """Whether the rule looks for silence, and nothing has been heard for long enough."""
        bad, upto = rule.condition, len(self.items)
        if not isinstance(bad, BadMeasurement) or not bad.silent or rule.channel is None:
            return False
        seen = list(self._backwards(rule.channel, upto))
        holds = all(self._holds(term, time, upto) for term in rule.while_)
        return holds and self._silent(rule, seen, False, time, upto)

    # --- conditions -------------------------------------------------------------------------

    def shows(self, rule: Rule, was: bool, time: int, upto: int) -> bool:
        """Whether the rule's condition is present, given whether it was before."""
        if not all(self._holds(term, time, upto) for term in rule.while_):
            return False
        if isinstance(rule.condition, BadMeasurement):
            return self._bad(rule, rule.condition, was, time, upto)
        if isinstance(rule.condition, RateOfChange | Forecast | Duty):
            return self._looks_back(rule, was, time, upto)
        return self._limit(rule, was, upto)

    def _looks_back(self, rule: Rule, was: bool, time: int, upto: int) -> bool:
        assert rule.channel is not None
        channel, seen = self.channels[rule.channel], self._backwards(rule.channel, upto)
        good = [Good(s.time, s.value) for s in seen if s.quality is Quality.GOOD][::-1]
        match rule.condition:
            case RateOfChange():
                return change_shows(rule.condition, channel, good, was)
            case Forecast():
                return forecast_shows(rule.condition, channel, good, was)
            case Duty():
                return duty_shows(rule.condition, channel, good, was, time)
            case _:
                raise AssertionError(rule.condition)

    def _limit(self, rule: Rule, was: bool, upto: int) -> bool:
        assert rule.channel is not None
        newest = self.newest(rule.channel, upto)
        good = self.newest_good(rule.channel, upto)
        if isinstance(rule.condition, Discrepancy) and good is None:
            return self.silent_after(rule) is None
        if newest is not None and saturated(rule, newest):
            return True
        if good is None or newest is None:
            return was
        if newest.quality is not Quality.GOOD and was and isinstance(rule.condition, Absolute):
            return True  # it neither raises nor clears, whatever raised before
        return self._beyond(rule, good.value, was, upto)

    def _beyond(self, rule: Rule, value: float, was: bool, upto: int) -> bool:
        match rule.condition:
            case Absolute(Side.HIGH, limit, deadband):
                return _high(value, limit, deadband, was)
            case Absolute(Side.LOW, limit, deadband):
                return _high(-value, -limit, deadband, was)
            case SwitchIs(state):
                return bool(value) == state
            case Discrepancy(_, expected) if expected is not None:
                return bool(value) != expected
            case Discrepancy(_, _, minimum, maximum, deadband):
                inside = deadband if was else 0.0
                return (minimum is not None and value < minimum + inside) or (
                    maximum is not None and value > maximum - inside
                )
            case Deviation(limit, deadband, set_value, twin):
                other = None if twin is None else self.newest_good(twin, upto)
                reference = other.value if other is not None else set_value
                if reference is None:
                    return was
                return _high(abs(value - reference), limit, deadband, was)
            case _:
                raise AssertionError(rule.condition)

    def _bad(self, rule: Rule, bad: BadMeasurement, was: bool, time: int, upto: int) -> bool:
        assert rule.channel is not None
        seen = list(self._backwards(rule.channel, upto))
        if bad.silent and self._silent(rule, seen, was, time, upto):
            return True
        if not seen:
            return False
        if bad.outside_valid and seen[0].outside:
            return True
        if bad.frozen is None:
            return False
        other = next((n for n, item in enumerate(seen) if item.value != seen[0].value), len(seen))
        return seen[0].time - seen[other - 1].time >= bad.frozen

    def _silent(self, rule: Rule, seen: list[Seen], was: bool, time: int, upto: int) -> bool:
        span = self.silent_after(rule)
        if span is None:
            return False
        links = [i for i in self.items[:upto] if isinstance(i, Linked)]
        since = [link.time for link in links if link.up] + [item.time for item in seen]
        if links[-1].up and time - max(since) >= span:
            return True
        heard = bool(seen) and time - seen[0].time < span
        return self.stood(rule.id, upto) and was and not heard

    def _holds(self, term: While, time: int, upto: int) -> bool:
        match term:
            case ChannelIs(channel, value):
                good = self.newest_good(channel, upto)
                return good is not None and bool(good.value) == value
            case ChannelBeyond(channel, side, limit):
                good = self.newest_good(channel, upto)
                if good is None:
                    return False
                return good.value > limit if side is Side.HIGH else good.value < limit
            case AlarmStands(rule):
                return self.stood(rule, upto)
            case Between(start, end):
                moment = datetime.fromtimestamp(time / 1e6, UTC)
                minute = moment.hour * 60 + moment.minute
                if start < end:
                    return start <= minute < end
                return not end <= minute < start

    def _backwards(self, channel: str, upto: int | None) -> Iterator[Seen]:
        for item in reversed(self.items[:upto]):
            if isinstance(item, Seen) and item.channel == channel:
                yield item


def saturated(rule: Rule, seen: Seen) -> bool:
    """Fail to alarm: an impossible value on the alarm's side counts as present."""
    condition = rule.condition
    if not rule.bold or not seen.outside or not isinstance(condition, Absolute):
        return False
    if condition.side is Side.HIGH:
        return seen.value >= condition.limit
    return seen.value <= condition.limit


def _high(value: float, limit: float, deadband: float, was: bool) -> bool:
    if value >= limit:
        return True
    if value <= limit - deadband:
        return False
    return was
