"""The rule book made ready: who depends on which channel, who is whose consequence."""

from collections.abc import Iterable
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Channel
from weirwatch.domain.rule import (
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
    RuleBook,
)


@dataclass(frozen=True, slots=True)
class Entry:
    """One rule with what the engine looks up for it at every reading.

    Attributes:
        channel: the rule's own channel; None for built-in rules.
        on_delay: effective: a discrepancy counts `within` first.
        silent_after: of the channel; None: gaps between readings mean nothing.
        exempt: gaps do not void its delays (bad-measurement, built-in).
        timed: time alone can change its condition, and what it hears or watches decides when;
            its deadline is planned anew whenever it is looked at.
        looks_back: it keeps a window over its channel's readings.
        by_arrival: it looks for silence, which the service's own clock measures.
        contact: its channel is a switch that reports on change only: what it said last is so until
            it says something else.
        goes_on: its on-delay starts again at a start without waiting for a reading: it is such a
            contact, or the failure is bold.
        by_clock: it may have to be looked at although nothing was heard: at the start, or by the
            time of day.
        window: under which its window is kept: rules with a trend over the same span of the same
            channel share one; every other has its own.
        consequences: rules that it suppresses while it stands (bold ones never).
        watchers: rules that have its alarm in their `while`.
        rank: 0 for a rule without causes, else one more than its deepest cause.
    """

    rule: Rule
    channel: Channel | None
    on_delay: Micros
    silent_after: Micros | None
    exempt: bool
    timed: bool
    looks_back: bool
    by_arrival: bool
    contact: bool
    goes_on: bool
    by_clock: bool
    window: str
    consequences: tuple[str, ...]
    watchers: tuple[str, ...]
    rank: int


@dataclass(frozen=True, slots=True)
class Book:
    """All entries, and two indexes.

    Attributes:
        own: channel → rules on that channel, in file order.
        watching: channel → rules that have it in their `while` or as their twin; of a channel's
            own rules only those that are `timed`.
    """

    entries: dict[str, Entry]
    channels: dict[str, Channel]
    own: dict[str, tuple[Entry, ...]]
    watching: dict[str, tuple[Entry, ...]]
    time_zone: ZoneInfo


def make_ready(book: RuleBook) -> Book:
    """Return the book made ready for the engine.

    Raises:
        ValueError: suppression goes round in a circle (configuration checks refuse it earlier).
    """
    rules = dict(book.rules)
    ranks: dict[str, int] = {}
    for rule in rules:
        _rank(rule, rules, ranks, ())
    entries = {
        rule.id: Entry(
            rule=rule,
            channel=book.channels[rule.channel] if rule.channel else None,
            on_delay=rule.on_delay + _within(rule),
            silent_after=book.channels[rule.channel].silent_after if rule.channel else None,
            exempt=isinstance(rule.condition, BadMeasurement | BuiltIn),
            timed=_is_timed(rule),
            looks_back=isinstance(rule.condition, RateOfChange | Duty | Forecast),
            by_arrival=_seeks_silence(rule),
            contact=_is_contact(rule, book),
            goes_on=_is_contact(rule, book) or (rule.bold and _voidable(rule)),
            by_clock=has_boundaries(rule) or _known_at_start(rule, book),
            window=_window(rule),
            consequences=tuple(
                r.id for r in rules.values() if rule.id in r.suppressed_by and not r.bold
            ),
            watchers=tuple(r.id for r in rules.values() if AlarmStands(rule.id) in r.while_),
            rank=ranks[rule.id],
        )
        for rule in rules.values()
    }
    own: dict[str, list[Entry]] = {}
    watching: dict[str, list[Entry]] = {}
    for entry in entries.values():
        if entry.rule.channel:
            own.setdefault(entry.rule.channel, []).append(entry)
        for channel in dict.fromkeys(_watched(entry.rule)):
            if channel != entry.rule.channel or entry.timed:
                watching.setdefault(channel, []).append(entry)
    return Book(
        entries=entries,
        channels=dict(book.channels),
        own={channel: tuple(listed) for channel, listed in own.items()},
        watching={channel: tuple(listed) for channel, listed in watching.items()},
        time_zone=book.time_zone,
    )


def has_boundaries(rule: Rule) -> bool:
    """Return whether the rule depends on the time of day."""
    return any(isinstance(term, Between) for term in rule.while_)


def rule_mark(rule: Rule) -> str:
    """Return the fingerprint of what an alarm is judged by, to notice an edited rule."""
    return repr((rule.channel, rule.condition, rule.while_, rule.latching))


def _is_timed(rule: Rule) -> bool:
    return isinstance(rule.condition, Duty) or (_seeks_silence(rule) and rule.while_ != ())


def _voidable(rule: Rule) -> bool:
    """Return whether the rule judges what a channel says, so that gaps in it matter."""
    return rule.channel is not None and not isinstance(rule.condition, BadMeasurement)


def _is_contact(rule: Rule, book: RuleBook) -> bool:
    """Return whether what its channel said last is so until it says something else."""
    if not _voidable(rule):
        return False
    channel = book.channels[rule.channel or ""]
    return channel.is_switch and channel.silent_after is None


def _known_at_start(rule: Rule, book: RuleBook) -> bool:
    """Return whether its condition can be told at a start; a duty's is planned by its window."""
    if isinstance(rule.condition, Discrepancy):
        return True
    return _is_contact(rule, book) and not isinstance(rule.condition, Duty)


def _seeks_silence(rule: Rule) -> bool:
    return isinstance(rule.condition, BadMeasurement) and rule.condition.silent


def _within(rule: Rule) -> Micros:
    return rule.condition.within if isinstance(rule.condition, Discrepancy) else 0


def _window(rule: Rule) -> str:
    match rule.condition:
        case RateOfChange(window) | Forecast(window=window):
            return f"{rule.channel} over {window}"  # no rule's id has a space
        case _:
            return rule.id


def _watched(rule: Rule) -> Iterable[str]:
    for term in rule.while_:
        if isinstance(term, ChannelIs | ChannelBeyond):
            yield term.channel
    if isinstance(rule.condition, Deviation) and rule.condition.twin:
        yield rule.condition.twin


def _rank(rule: str, rules: dict[str, Rule], ranks: dict[str, int], path: tuple[str, ...]) -> int:
    if rule in path:
        raise ValueError(f"suppressed_by goes round in a circle: {' → '.join((*path, rule))}")
    if rule not in ranks:
        causes = [cause for cause in rules[rule].suppressed_by if cause in rules]
        ranks[rule] = max(
            (1 + _rank(cause, rules, ranks, (*path, rule)) for cause in causes), default=0
        )
    return ranks[rule]
