"""The home of rules tried on the past: stored readings in time order, and a sweep over settings.

A sweep runs one rule over the same readings with other deadbands and on-delays: how often it would
have sounded, whether it chatters, and how much later it would have told of what it told of.
"""

import heapq
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, product
from operator import attrgetter
from statistics import median
from typing import Any
from zoneinfo import ZoneInfo

from weirwatch.domain.alarm import Event
from weirwatch.domain.book import make_ready
from weirwatch.domain.errors import UnknownRule
from weirwatch.domain.instant import SECOND, Micros, seconds
from weirwatch.domain.performance import TEN_MINUTES, chatter
from weirwatch.domain.reading import Channel, Reading
from weirwatch.domain.rule import (
    Absolute,
    AlarmStands,
    ChannelBeyond,
    ChannelIs,
    Deviation,
    Discrepancy,
    RateOfChange,
    Rule,
    RuleBook,
)
from weirwatch.pipeline.paging import all_readings
from weirwatch.pipeline.replay import replay_in_order
from weirwatch.ports import Archive

Json = dict[str, Any]

ON_DELAYS_S = (0, 10, 30, 60, 120, 300, 600)
_PAGE = 10_000


@dataclass(frozen=True, slots=True)
class Tried:
    """One setting of a sweep over the same readings.

    Attributes:
        deadband: in the channel's unit; None: the rule's kind has none.
        chattering: bursts of three annunciations within a minute.
        late_mean, late_worst: how long after the condition first showed it was announced.
        missed: episodes of the condition that were never announced.
    """

    deadband: float | None
    on_delay: Micros
    annunciations: int
    chattering: int
    late_mean: Micros
    late_worst: Micros
    missed: int


@dataclass(frozen=True, slots=True)
class Sweep:
    """What came of it.

    Attributes:
        episodes: times that the condition showed, those less than ten minutes apart as one.
        current: the rule as it is configured.
        proposal: the smallest on-delay, then deadband, that does not chatter; None: none.
    """

    rule: str
    episodes: int
    tried: tuple[Tried, ...]
    current: Tried
    proposal: Tried | None


def channels_of(rules: Iterable[Rule]) -> frozenset[str]:
    """Return the channels that the rules look at."""
    found: set[str] = set()
    for rule in rules:
        if rule.channel is not None:
            found.add(rule.channel)
        found.update(t.channel for t in rule.while_ if isinstance(t, ChannelIs | ChannelBeyond))
        if isinstance(rule.condition, Deviation) and rule.condition.twin is not None:
            found.add(rule.condition.twin)
    return frozenset(found)


def stored_readings(
    archive: Archive, channels: Iterable[str], start: Micros, end: Micros
) -> Iterator[Reading]:
    """Yield the stored readings of `[start, end)` in time order over all the channels."""
    each = [_of_channel(archive, channel, start, end) for channel in sorted(channels)]
    return heapq.merge(*each, key=attrgetter("time"))


def _of_channel(archive: Archive, channel: str, start: Micros, end: Micros) -> Iterator[Reading]:
    try:
        yield from all_readings(archive, channel, start, end, _PAGE)
    except KeyError:  # configured, and not a reading yet
        return


def with_causes(rule_id: str, rules: Mapping[str, Rule]) -> tuple[Rule, ...]:
    """Return the rule and all those that decide over it: causes, and alarms in its `while`.

    Raises:
        UnknownRule: no rule has that id.
    """
    if rule_id not in rules:
        raise UnknownRule(f"no rule has the id {rule_id!r}")
    found: dict[str, Rule] = {}
    waiting = [rule_id]
    while waiting:
        rule = rules.get(waiting.pop())
        if rule is None or rule.id in found:
            continue
        found[rule.id] = rule
        waiting += rule.suppressed_by
        waiting += [term.rule for term in rule.while_ if isinstance(term, AlarmStands)]
    return tuple(found.values())


def sweep(
    rule_id: str,
    rules: Mapping[str, Rule],
    channels: Mapping[str, Channel],
    readings: Sequence[Reading],
    span: tuple[Micros, Micros],
    zone: ZoneInfo,
) -> Sweep:
    """Run the rule over the readings with other deadbands and on-delays.

    Args:
        rule_id: the rule to vary; its causes stay as they are.
        rules: all of them, by id.
        channels: by id.
        readings: in time order, of the channels that the rule and its causes look at.
        span: of the readings, `[start, end)`.
        zone: for `between`.

    Raises:
        UnknownRule: no rule has that id.
    """
    involved = {rule.id: rule for rule in with_causes(rule_id, rules)}
    rule = involved[rule_id]

    def annunciated(variant: Rule) -> list[Micros]:
        book = make_ready(RuleBook({**involved, rule_id: variant}, channels, zone))
        events = replay_in_order(book, readings, *span)
        return [event.time for event in events if _rings(event, rule_id)]

    bare = replace(_varied(rule, 0.0, 0), off_delay=0)
    episodes = episodes_of(annunciated(bare))
    values = [reading.value for reading in readings if reading.channel == rule.channel]
    own = getattr(rule.condition, "deadband", 0.0)
    grid = product(_deadbands(rule, values), sorted({*_delays(), rule.on_delay}))
    tried = tuple(
        _judged(deadband, delay, annunciated(_varied(rule, deadband, delay)), episodes)
        for deadband, delay in grid
    )
    mine = own if _has_deadband(rule) else None
    current = next(t for t in tried if t.deadband == mine and t.on_delay == rule.on_delay)
    calm = [t for t in tried if not t.chattering] if episodes else []
    proposal = min(calm, key=lambda t: (t.on_delay, t.deadband or 0.0), default=None)
    return Sweep(rule_id, len(episodes), tried, current, proposal)


def episodes_of(times: Sequence[Micros]) -> list[tuple[Micros, Micros]]:
    """Return first and last of each run of times that lie less than ten minutes apart."""
    found: list[tuple[Micros, Micros]] = []
    for time in times:
        if found and time - found[-1][1] < TEN_MINUTES:
            found[-1] = (found[-1][0], time)
        else:
            found.append((time, time))
    return found


def sweep_json(found: Sweep, unit: str) -> Json:
    """Return the sweep as data."""
    return {
        "rule": found.rule,
        "unit": unit,
        "episodes": found.episodes,
        "current": _tried_json(found.current),
        "proposal": None if found.proposal is None else _tried_json(found.proposal),
        "tried": [_tried_json(tried) for tried in found.tried],
    }


def _tried_json(tried: Tried) -> Json:
    return {
        "deadband": tried.deadband,
        "on_delay_s": seconds(tried.on_delay),
        "annunciations": tried.annunciations,
        "chattering": tried.chattering,
        "late_mean_s": seconds(tried.late_mean),
        "late_worst_s": seconds(tried.late_worst),
        "missed": tried.missed,
    }


def _judged(
    deadband: float | None,
    delay: Micros,
    times: Sequence[Micros],
    episodes: Sequence[tuple[Micros, Micros]],
) -> Tried:
    following_ones = [*(begin for begin, _ in episodes[1:]), None]
    late = []
    for (begin, _), following in zip(episodes, following_ones, strict=False):
        first = next(
            (t for t in times if begin <= t and (following is None or t < following)), None
        )
        if first is not None:
            late.append(first - begin)
    chatters = chatter("", times)
    return Tried(
        deadband,
        delay,
        len(times),
        0 if chatters is None else chatters.bursts,
        sum(late) // len(late) if late else 0,
        max(late, default=0),
        len(episodes) - len(late),
    )


def _rings(event: Event, rule: str) -> bool:
    return event.rule == rule and event.annunciated


def _delays() -> set[Micros]:
    return {delay * SECOND for delay in ON_DELAYS_S}


def _has_deadband(rule: Rule) -> bool:
    condition = rule.condition
    if isinstance(condition, Discrepancy):
        return condition.expected is None
    return isinstance(condition, Absolute | Deviation | RateOfChange)


def _deadbands(rule: Rule, values: Sequence[float]) -> Sequence[float | None]:
    """Return 0, what is configured, and multiples of it or, without one, of the noise."""
    if not _has_deadband(rule):
        return [None]
    own = float(getattr(rule.condition, "deadband", 0.0))
    steps = [abs(b - a) for a, b in pairwise(values) if a != b]
    unit = own / 2 or (median(steps) if steps else 0.0)
    return sorted({0.0, own, *(float(f"{unit * factor:.3g}") for factor in (1, 2, 4, 8))})


def _varied(rule: Rule, deadband: float | None, on_delay: Micros) -> Rule:
    condition = rule.condition
    if deadband is not None and isinstance(
        condition, Absolute | Deviation | Discrepancy | RateOfChange
    ):
        condition = replace(condition, deadband=deadband)
    return replace(rule, condition=condition, on_delay=on_delay)
