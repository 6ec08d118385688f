"""The reference's list of everything seen, and what a rule's condition was at any point of it.

Naive on purpose: every question goes through the list from an end; nothing is kept between two.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from typing import NamedTuple

from domain.reference_windows import Good, change_shows, duty_shows, forecast_shows

from weirwatch.domain.reading import Channel, Quality, Reading
from weirwatch.domain.rule import (
    Absolute,
    AlarmStands,
    BadMeasurement,
    Between,
    BuiltIn,
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
    """A reading on the list.

    `outside`: it was beyond its valid range; `newer`: than all before it, else it is history only.
    """

    time: int
    channel: str
    value: float
    quality: Quality
    outside: bool
    arrived: int
    newer: bool


class Told(NamedTuple):
    """What the service observes of itself: the condition of a built-in rule."""

    time: int
    rule: str
    present: bool


class Voided(NamedTuple):
    """A delay came to its end, and nothing good was young enough then."""

    time: int
    rule: str


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
    items: list[Seen | Stood | Linked | Told | Voided] = field(default_factory=list)
    asked: dict[tuple[str, bool, int, int], bool] = field(default_factory=dict)

    def add_reading(self, reading: Reading, arrived: int) -> Seen:
        """Judge a reading and put it on the list."""
        newest = self.newest(reading.channel)
        newer = newest is None or reading.time > newest.time
        valid = self.channels[reading.channel].valid
        outside = valid is not None and not valid[0] <= reading.value <= valid[1]
        quality = Quality.BAD if outside else reading.quality
        seen = Seen(reading.time, reading.channel, reading.value, quality, outside, arrived, newer)
        self.items.append(seen)
        return seen

    def lag(self, channel: str) -> int:
        """How far its newest reading came behind its own time, if it came in this run."""
        newest = self.newest(channel)
        if newest is None or newest in self.items[: self.restarted() + 1]:
            return 0
        return newest.arrived - newest.time

    def restarted(self, upto: int | None = None) -> int:
        """Where the last start is on the list; -1: there was none but the first."""
        items = self.items[:upto]
        found = [n for n, i in enumerate(items) if isinstance(i, Linked) and i.restart]
        return found[-1] if found else -1

    def newest(self, channel: str, upto: int | None = None) -> Seen | None:
        return next(self._backwards(channel, upto), None)

    def newest_good(self, channel: str, upto: int | None = None) -> Seen | None:
        upto = len(self.items) if upto is None else upto
        good = [seen for seen in self._record(channel, upto) if seen.quality is Quality.GOOD]
        return good[-1] if good else None

    def stood(self, rule: str, upto: int) -> bool:
        stood = [i for i in self.items[:upto] if isinstance(i, Stood) and i.rule == rule]
        return bool(stood) and stood[-1].stands

    def silent_after(self, rule: Rule) -> int | None:
        return None if rule.channel is None else self.channels[rule.channel].silent_after

    def contact(self, rule: Rule) -> bool:
        """Whether what its channel said last is so until it says something else."""
        if rule.channel is None:
            return False
        return self.channels[rule.channel].is_switch and self.silent_after(rule) is None

    def falls_silent(self, rule: Rule, time: int) -> bool:
        """Whether the rule looks for silence, and nothing has been heard for long enough."""
        bad, upto = rule.condition, len(self.items)
        if not isinstance(bad, BadMeasurement) or not bad.silent or rule.channel is None:
            return False
        holds = all(self._holds(term, time, upto) for term in rule.while_)
        return holds and self._silent(rule, False, time, upto)

    def last_boundary(self, rule: Rule, after: int, upto_time: int, tick: int) -> int | None:
        """The last begin or end of a time of day that the rule names, between two times."""
        minutes = [m for t in rule.while_ if isinstance(t, Between) for m in (t.start, t.end)]
        for time in range(upto_time - upto_time % tick, after, -tick):
            if minutes and time // 60_000_000 % 1440 in minutes:
                return time
        return None

    # --- conditions -------------------------------------------------------------------------

    def shows(self, rule: Rule, was: bool, time: int, upto: int) -> bool:
        """Whether the rule's condition is present, given whether it was before.

        What was on the list does not change, so an answer is looked up when it is asked again.
        """
        question = (rule.id, was, time, upto)
        if question not in self.asked:
            self.asked[question] = self._shows(rule, was, time, upto)
        return self.asked[question]

    def _shows(self, rule: Rule, was: bool, time: int, upto: int) -> bool:
        if not all(self._holds(term, time, upto) for term in rule.while_):
            return False
        if isinstance(rule.condition, BuiltIn):
            told = self.items[self.restarted(upto) + 1 : upto]
            mine = [i for i in told if isinstance(i, Told) and i.rule == rule.id]
            return bool(mine) and mine[-1].present
        if isinstance(rule.condition, BadMeasurement):
            return self._bad(rule, rule.condition, was, time, upto)
        if isinstance(rule.condition, RateOfChange | Forecast | Duty):
            return self._looks_back(rule, was, time, upto)
        return self._limit(rule, was, upto)

    def duty_turns(self, rule: Rule, time: int, tick: int) -> bool:
        """Whether what a duty's switch alone shows changes now, and counts."""
        upto = len(self.items)
        if not all(self._holds(term, time, upto) for term in rule.while_):
            return False
        before, now = (self._looks_back(rule, False, at, upto) for at in (time - tick, time))
        return before is not now

    def _looks_back(self, rule: Rule, was: bool, time: int, upto: int) -> bool:
        assert rule.channel is not None
        channel, seen = self.channels[rule.channel], self._record(rule.channel, upto)
        good = [Good(s.time, s.value) for s in seen if s.quality is Quality.GOOD]
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
        seen = self._record(rule.channel, upto)[::-1]
        if bad.silent and self._silent(rule, was, time, upto):
            return True
        if not seen:
            return False
        if bad.outside_valid and seen[0].outside:
            return True
        if bad.frozen is None:
            return False
        span, same = self.silent_after(rule), 0
        for later, earlier in pairwise(seen):
            if earlier.value != later.value:
                break
            known = later.time - earlier.time
            same += 0 if span is not None and known > span else known  # nobody knows of a silence
        return same >= bad.frozen

    def _silent(self, rule: Rule, was: bool, time: int, upto: int) -> bool:
        span = self.silent_after(rule)
        if span is None:
            return False
        items = self.items[:upto]
        heard = [i.arrived for i in items if isinstance(i, Seen) and i.channel == rule.channel]
        links = [i for i in items if isinstance(i, Linked)]
        since = [link.time for link in links if link.up] + heard
        if links[-1].up and time - max(since) >= span:
            return True
        lately = bool(heard) and time - heard[-1] < span
        return self.stood(rule.id, upto) and was and not lately

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
        """What was judged of a channel, newest first."""
        for item in reversed(self.items[:upto]):
            if isinstance(item, Seen) and item.channel == channel and item.newer:
                yield item

    def _record(self, channel: str, upto: int) -> list[Seen]:
        """What is looked back on, in order of time: since the last start what was judged.

        What came before it is read from the record, which has history too.
        """
        restarted, found = self.restarted(upto), dict[int, Seen]()
        for position, item in enumerate(self.items[:upto]):
            if not isinstance(item, Seen) or item.channel != channel:
                continue
            if item.newer or position <= restarted:
                found.setdefault(item.time, item)
        return [found[time] for time in sorted(found)]


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
