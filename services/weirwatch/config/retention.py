"""How long each channel is kept: `[history]`, then its quantity's class, then its own table."""

from collections.abc import Iterable, Iterator
from math import ceil

from weirwatch.config.draft import Draft
from weirwatch.config.entries import Entry
from weirwatch.config.models import ChannelConfig, HistoryConfig, RetentionConfig
from weirwatch.config.problems import Problem, did_you_mean
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.refill import span_of
from weirwatch.domain.rule import Rule
from weirwatch.settings import Kept, RetentionSettings

_YEAR_DAYS = 365.25
_DAY: Micros = 86_400 * SECOND
_KEYS = ("raw_days", "hourly_years")

AnyTable = HistoryConfig | RetentionConfig | ChannelConfig


def retention_of(draft: Draft) -> RetentionSettings:
    """Return how long each channel is kept."""
    usual = _over(Kept(), draft.history.config)
    by_quantity = {
        quantity: _over(usual, entry.config)
        for entry in draft.retention
        for quantity in entry.config.quantities
    }
    by_channel = {
        entry.config.id: _over(by_quantity.get(entry.config.quantity, usual), entry.config)
        for entry in draft.channels_by_id.values()
        if _said(entry.config)
    }
    return RetentionSettings(usual, by_quantity, by_channel)


def check_retention(draft: Draft) -> Iterator[Problem]:
    """Yield what is wrong with how long channels are kept."""
    found = retention_of(draft)
    if not draft.history.whole(*_KEYS):
        return
    yield from _lengths(draft.history, found.usual)
    for entry in draft.retention:
        if not entry.broken and not _said(entry.config):
            cure = "Add one of them, or leave the table out"
            yield Problem(entry.place, "says neither raw_days nor hourly_years", cure)
        for quantity in entry.config.quantities[:1]:  # all of them are kept alike
            yield from _lengths(entry, found.by_quantity[quantity])
    yield from _quantities(draft)
    for channel in draft.channels_by_id.values():
        if _said(channel.config):
            yield from _lengths(channel, found.by_channel[channel.config.id])


def doubt_retention(draft: Draft, rules: Iterable[Rule]) -> Iterator[Problem]:
    """Yield what is doubtful in how long channels are kept."""
    history = draft.history
    if history.config.kind != "sqlite":
        told = [entry.place for entry in draft.retention]
        told += [history.at("hourly_years")] if history.config.hourly_years is not None else []
        told += [entry.place for entry in draft.channels_by_id.values() if _said(entry.config)]
        if told:
            what = f"has a retention of its own, and nothing is done with {', '.join(told)}"
            cure = "Leave them out, and tell the server how long it keeps what: docs/stores.md"
            yield Problem(history.at("kind"), what, cure, history.config.kind)
        return
    retention = retention_of(draft)
    places = {entry.config.id: entry for entry in draft.rules}
    for rule in rules:
        channel = draft.channel(rule.channel or "")
        if channel is None:
            continue
        days = round(span_of(rule) / _DAY, 2)
        kept = retention.of(channel.id, channel.quantity).raw_days
        if kept is not None and days > kept and (entry := places.get(rule.id)):
            what = f"looks back {days:g} days, and readings of its channel are kept for {kept:g}"
            cure = "After a restart it would know less: keep them longer, or let it look back less"
            yield Problem(entry.place, what, cure)


def _over(kept: Kept, config: AnyTable) -> Kept:
    raw, hourly = config.raw_days, config.hourly_years
    return Kept(
        kept.raw_days if raw is None else raw, kept.hourly_years if hourly is None else hourly
    )


def _said(config: AnyTable) -> bool:
    return config.raw_days is not None or config.hourly_years is not None


def _lengths(entry: Entry[AnyTable], kept: Kept) -> Iterator[Problem]:
    raw, hourly = kept.raw_days, kept.hourly_years
    if raw is None or hourly is None or hourly * _YEAR_DAYS > raw or not entry.whole(*_KEYS):
        return
    if entry.config.hourly_years is not None:
        what = f"is not longer than raw_days = {raw:g}: readings would go with their summaries"
        cure = f"Write {int(raw // _YEAR_DAYS) + 1} or more, or fewer raw_days"
        yield Problem(entry.at("hourly_years"), what, cure, entry.config.hourly_years)
    else:
        what = f"is not shorter than hourly_years = {hourly:g}"
        cure = f"Write {ceil(hourly * _YEAR_DAYS) - 1} or fewer, or add more hourly_years"
        yield Problem(entry.at("raw_days"), what, cure, entry.config.raw_days)


def _quantities(draft: Draft) -> Iterator[Problem]:
    there = {entry.config.quantity for entry in draft.channels_by_id.values()}
    known = all(entry.whole("id", "quantity") for entry in draft.channels)
    first: dict[str, str] = {}
    for entry in draft.retention:
        for quantity in entry.config.quantities if entry.whole("quantities") else ():
            where = entry.at("quantities")
            if quantity in first:
                what = f"is named in {first[quantity]} already"
                yield Problem(where, what, "Name each quantity once", quantity)
            elif known and quantity not in there:
                cure = did_you_mean(quantity, there)
                yield Problem(where, "is the quantity of no channel", cure, quantity)
            first.setdefault(quantity, entry.place)
