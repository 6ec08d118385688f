"""The home of how well the alarms serve: rates, alarm floods, chattering, fleeting, stale, loud.

The figures are those of ANSI/ISA-18.2 clause 16 and EEMUA 191, for one operator. Windows are half
open: what lies exactly `window` back is no longer in it.
"""

from collections import Counter, deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from weirwatch.domain.alarm import AlarmState, Event
from weirwatch.domain.attendance import Attendance, attendance
from weirwatch.domain.daytime import holds_at
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.rule import Between, Priority, Rule

TEN_MINUTES: Micros = 600 * SECOND
HOUR: Micros = 3600 * SECOND
DAY: Micros = 86_400 * SECOND
FLOOD_OPENS_ABOVE = 10  # annunciations in ten minutes
FLOOD_CLOSES_BELOW = 5
CHATTERING_TIMES = 3  # annunciations of one rule in a minute
CHATTERING_WINDOW: Micros = 60 * SECOND
FLEETING_UNDER: Micros = 60 * SECOND  # our own figure: the standards say "seconds"
NIGHT = Between(22 * 60, 7 * 60)
MOST_BAD_ACTORS = 10

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_STANDING = (AlarmState.UNACKNOWLEDGED.value, AlarmState.ACKNOWLEDGED.value)


@dataclass(frozen=True, slots=True)
class Rate:
    """Annunciations in spans of one length: on average, and the most in any such span."""

    average: float
    peak: int


@dataclass(frozen=True, slots=True)
class AlarmFlood:
    """From the annunciation that was one too many until fewer than five lie in ten minutes.

    Attributes:
        closed_at: None: it had not ended when the report ends.
        annunciations: all those of the ten minutes before it opened, and since.
        first: rule that was annunciated first of them.
    """

    opened_at: Micros
    closed_at: Micros | None
    annunciations: int
    first: str


@dataclass(frozen=True, slots=True)
class Chatter:
    """A rule that was annunciated three times or more within a minute; `most` in one minute."""

    rule: str
    bursts: int
    most: int


@dataclass(frozen=True, slots=True)
class Standing:
    """One time that a rule's alarm stood; `until` None: it still does."""

    rule: str
    since: Micros
    until: Micros | None


@dataclass(frozen=True, slots=True)
class BadActor:
    """One of the rules with the most annunciations; `share` of all of them, 0 to 1."""

    rule: str
    annunciations: int
    share: float


@dataclass(frozen=True, slots=True)
class Night:
    """A month in the keeper's zone: notices that came between 22 and 7, in how many nights."""

    month: str
    woken: int
    nights: int


@dataclass(frozen=True, slots=True)
class Performance:
    """How the alarms did over `[start, end)`.

    Attributes:
        crowded_share: share of consecutive ten-minute periods with more than ten annunciations.
        flood_share: share of the time in an alarm flood.
        top_share: share of the ten loudest rules in all annunciations.
        fleeting: rule → how often it stood less than a minute, chattering left out.
        stale: times a rule stood for more than a day.
        stale_peak: most rules that were stale on one day.
        annunciated: annunciations by priority, of rules that still exist.
        latest: annunciations of the last ten minutes before `end`.
        attended: how alarms were attended to.
    """

    start: Micros
    end: Micros
    annunciations: int
    per_ten_minutes: Rate
    per_hour: Rate
    per_day: Rate
    crowded_share: float
    flood_share: float
    floods: tuple[AlarmFlood, ...]
    chattering: tuple[Chatter, ...]
    fleeting: Mapping[str, int]
    stale: tuple[Standing, ...]
    stale_peak: int
    bad_actors: tuple[BadActor, ...]
    top_share: float
    annunciated: Mapping[Priority, int]
    nights: tuple[Night, ...]
    latest: int = 0
    attended: Attendance = field(default_factory=Attendance)


def performance(
    events: Iterable[Event],
    start: Micros,
    end: Micros,
    *,
    rules: Mapping[str, Rule],
    delivered: Iterable[Micros] = (),
    zone: ZoneInfo,
) -> Performance:
    """Return how the alarms did over `[start, end)`; drills are left out.

    Args:
        events: in commit order; those before `start` tell what stood then.
        start: of the report.
        end: of the report; not after `start`: nothing is in it.
        rules: as they are now.
        delivered: when each notified annunciation reached its first person.
        zone: where the keeper sleeps.
    """
    told = [event for event in events if event.rule and not event.drill]
    loud = sorted(
        (event.time, event.rule)
        for event in told
        if event.annunciated and start <= event.time < end
    )
    times = [time for time, _ in loud]
    span = max(1, end - start)
    floods = alarm_floods(loud, end)
    by_rule: dict[str, list[Micros]] = {}
    for time, rule in loud:
        by_rule.setdefault(rule, []).append(time)
    chattering = tuple(c for rule, own in by_rule.items() if (c := chatter(rule, own)) is not None)
    stood = [s for s in standings(told) if s.since < end and (s.until is None or s.until >= start)]
    stale = tuple(s for s in stood if (s.until or end) - s.since > DAY)
    actors = _bad_actors(by_rule, len(loud))
    return Performance(
        start=start,
        end=end,
        annunciations=len(loud),
        per_ten_minutes=rate(times, span, TEN_MINUTES),
        per_hour=rate(times, span, HOUR),
        per_day=rate(times, span, DAY),
        crowded_share=_crowded(times, start, end),
        flood_share=sum((f.closed_at or end) - f.opened_at for f in floods) / span,
        floods=floods,
        chattering=chattering,
        fleeting=_fleeting(stood, {c.rule for c in chattering}, start),
        stale=stale,
        stale_peak=_stale_peak(stale, start, end),
        bad_actors=actors,
        top_share=sum(actor.share for actor in actors),
        annunciated=Counter(rules[rule].priority for _, rule in loud if rule in rules),
        nights=_nights(sorted(t for t in delivered if start <= t < end), zone),
        latest=sum(time > end - TEN_MINUTES for time in times),
        attended=attendance(told, start, end),
    )


def rate(times: Sequence[Micros], whole: Micros, span: Micros) -> Rate:
    """Return how many of the sorted times, all of them within `whole`, lie in a `span`."""
    return Rate(len(times) * span / whole, most_within(times, span))


def most_within(times: Sequence[Micros], window: Micros) -> int:
    """Return the most of the sorted times that lie within any window."""
    most, first = 0, 0
    for at, time in enumerate(times):
        while times[first] <= time - window:
            first += 1
        most = max(most, at - first + 1)
    return most


def alarm_floods(loud: Sequence[tuple[Micros, str]], end: Micros) -> tuple[AlarmFlood, ...]:
    """Return the alarm floods of sorted (time, rule) annunciations.

    One opens with the annunciation that makes more than ten in the ten minutes up to it, and
    ends when fewer than five are left in the last ten minutes.
    """
    found: list[AlarmFlood] = []
    window: deque[tuple[Micros, str]] = deque()
    opened: tuple[Micros, int, str] | None = None
    for time, rule in (*loud, (end, "")):
        while window and window[0][0] <= time - TEN_MINUTES:
            leaves, _ = window.popleft()
            if opened is not None and len(window) < FLOOD_CLOSES_BELOW:
                found.append(AlarmFlood(opened[0], leaves + TEN_MINUTES, *opened[1:]))
                opened = None
        if not rule:
            break
        window.append((time, rule))
        if opened is not None:
            opened = (opened[0], opened[1] + 1, opened[2])
        elif len(window) > FLOOD_OPENS_ABOVE:
            opened = (time, len(window), window[0][1])
    if opened is not None:
        found.append(AlarmFlood(opened[0], None, *opened[1:]))
    return tuple(found)


def chatter(rule: str, times: Sequence[Micros]) -> Chatter | None:
    """Return how a rule with these sorted annunciations chatters, or None if it does not."""
    bursts, last = 0, -1  # the last annunciation of the burst that was counted last
    for at in range(CHATTERING_TIMES - 1, len(times)):
        first = at - CHATTERING_TIMES + 1
        if times[at] - times[first] < CHATTERING_WINDOW:
            bursts += first > last
            last = at
    return Chatter(rule, bursts, most_within(times, CHATTERING_WINDOW)) if bursts else None


def standings(events: Iterable[Event]) -> list[Standing]:
    """Return each time that a rule's alarm stood, from its events in commit order."""
    found: list[Standing] = []
    since: dict[str, Micros] = {}
    for event in events:
        before, after = event.from_state in _STANDING, event.to_state in _STANDING
        if after and not before:
            since[event.rule] = event.time
        elif before and not after and event.rule in since:
            found.append(Standing(event.rule, since.pop(event.rule), event.time))
    found += [Standing(rule, time, None) for rule, time in since.items()]
    return found


def _crowded(times: Sequence[Micros], start: Micros, end: Micros) -> float:
    periods = Counter((time - start) // TEN_MINUTES for time in times)
    crowded = sum(count > FLOOD_OPENS_ABOVE for count in periods.values())
    return crowded / max(1, -(-(end - start) // TEN_MINUTES))


def _fleeting(stood: Sequence[Standing], chattering: set[str], start: Micros) -> Mapping[str, int]:
    return Counter(
        s.rule
        for s in stood
        if s.until is not None
        and s.since >= start
        and s.until - s.since < FLEETING_UNDER
        and s.rule not in chattering
    )


def _stale_peak(stale: Sequence[Standing], start: Micros, end: Micros) -> int:
    """Return the most rules that were stale within one of the report's days."""
    days: dict[int, set[str]] = {}
    for s in stale:
        first = (max(s.since + DAY, start) - start) // DAY
        last = (min(s.until or end, end) - start) // DAY
        for day in range(first, last + 1):
            days.setdefault(day, set()).add(s.rule)
    return max((len(rules) for rules in days.values()), default=0)


def _bad_actors(by_rule: Mapping[str, Sequence[Micros]], total: int) -> tuple[BadActor, ...]:
    ranked = sorted(by_rule.items(), key=lambda item: (-len(item[1]), item[0]))
    return tuple(
        BadActor(rule, len(times), len(times) / total) for rule, times in ranked[:MOST_BAD_ACTORS]
    )


def _nights(delivered: Iterable[Micros], zone: ZoneInfo) -> tuple[Night, ...]:
    months: dict[str, tuple[int, set[str]]] = {}
    for time in delivered:
        if not holds_at(NIGHT, time, zone):
            continue
        local = (_EPOCH + timedelta(microseconds=time)).astimezone(zone)
        evening = local - timedelta(hours=12)  # the night belongs to the day on which it began
        woken, nights = months.get(f"{local:%Y-%m}", (0, set()))
        months[f"{local:%Y-%m}"] = (woken + 1, nights | {f"{evening:%Y-%m-%d}"})
    return tuple(Night(month, woken, len(nights)) for month, (woken, nights) in months.items())
