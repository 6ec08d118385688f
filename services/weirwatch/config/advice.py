"""What is allowed but doubtful: the warnings of `check`."""

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from weirwatch.config.catalogue_rules import load_templates
from weirwatch.config.catalogue_suggest import suggested, unguarded
from weirwatch.config.default_failure import failure_of
from weirwatch.config.draft import Draft
from weirwatch.config.entries import Entry
from weirwatch.config.problems import Problem, nearest
from weirwatch.config.rule_models import AnyRuleConfig, RuleConfig
from weirwatch.config.signal_advice import advise_on_signals
from weirwatch.config.suppression import implied_too_slow
from weirwatch.config.units import QUANTITIES
from weirwatch.domain.rule import Priority, Rule

_RISKY = re.compile(
    r"\b(un-?plug(?:s|ged|ging)?|reach(?:es|ed|ing)?|re-?set(?:s|ting)?|bypass(?:es|ed|ing)?"
    r"|open(?:s|ed|ing)?)\b",
    re.IGNORECASE,
)
_CRITICAL_SHARE = 0.05  # of the configured alarms; bold failures not counted
_URGENT_SHARE = 0.20  # high and critical together: 80 / 15 / 5 leaves no more
_ENOUGH_TO_COUNT = 5  # rules: fewer make no shares
SILENT = "probe-silent"
_LIMIT_KEYS = ("high", "low", "expected_min", "expected_max")


def advise(draft: Draft, rules: Iterable[Rule], known: Mapping[str, bool]) -> Iterator[Problem]:
    """Yield what is doubtful in a file without mistakes.

    Args:
        draft: the file's tables.
        rules: all rules as they will run, built-in ones too.
        known: every failure of the catalogue by id, and whether it is bold.
    """
    rules = tuple(rules)
    for channel in draft.channels:
        yield from _odd_quantity(channel.at("quantity"), channel.config.quantity)
    for entry, rule in draft.channel_rules():
        yield from _default_failure(entry, rule, draft, known)
        yield from _limits(entry, rule, draft)
        yield from _idle_keys(entry, rule, draft)
        yield from _wrong_side(entry, rule, draft)
    for any_entry in draft.rules:
        yield from _response(any_entry)
    yield from _same_titles(draft, rules)
    yield from advise_on_signals(draft, rules)
    yield from _implied(draft, rules)
    yield from _priorities(rules)
    yield from _uncovered(draft, rules, known)


def _odd_quantity(where: str, quantity: str) -> Iterator[Problem]:
    near = nearest(quantity, QUANTITIES)
    if quantity not in QUANTITIES and near is not None:
        cure = f'If you mean "{near}", write that: its units are then checked'
        yield Problem(where, "is not a quantity that Weirwatch knows", cure, quantity)


def _default_failure(
    entry: Entry[AnyRuleConfig], rule: RuleConfig, draft: Draft, known: Mapping[str, bool]
) -> Iterator[Problem]:
    if rule.failure is None:
        taken = failure_of(rule, draft.channel(rule.channel), known)
        cure = f'Add failure = "{taken}", or the one you mean: it decides the safety card'
        yield Problem(entry.at("failure"), f'is missing and taken as "{taken}"', cure)


def _same_titles(draft: Draft, rules: Iterable[Rule]) -> Iterator[Problem]:
    """Yield what a notice, which names title and system only, could not tell apart."""
    places = {entry.config.id: entry for entry in draft.rules}
    first: dict[tuple[str, str], str] = {}
    for rule in rules:
        system = (rule.channel or "").partition("/")[0]
        known = first.setdefault((rule.title, system), rule.id)
        if known != rule.id and (entry := places.get(rule.id)):
            what = f'is that of rule "{known}" too: a notice would not say which of them it is'
            cure = "Say in each title what it watches"
            yield Problem(entry.at("title"), what, cure, rule.title)


def _limits(entry: Entry[AnyRuleConfig], rule: RuleConfig, draft: Draft) -> Iterator[Problem]:
    channel = draft.channel(rule.channel)
    if channel is None or channel.valid is None:
        return
    lowest, highest = channel.valid
    for key in _LIMIT_KEYS:
        limit = getattr(rule, key, None)
        if limit is not None and not lowest <= limit <= highest:
            what = f"lies outside the channel's valid range [{lowest:g}, {highest:g}]"
            cure = "A reading beyond valid is bad and raises nothing: move the limit or the range"
            yield Problem(entry.at(key), what, cure, limit)
    yield from _never_clears(entry, rule, lowest, highest)


def _never_clears(
    entry: Entry[AnyRuleConfig], rule: Any, lowest: float, highest: float
) -> Iterator[Problem]:
    if rule.kind != "absolute":
        return
    clears_at = None
    if rule.high is not None:
        clears_at = rule.high - rule.deadband
    elif rule.low is not None:
        clears_at = rule.low + rule.deadband
    if clears_at is not None and not lowest <= clears_at <= highest:
        what = f"puts the return at {clears_at:g}, outside the channel's valid range"
        cure = "Make it smaller, or the alarm never clears"
        yield Problem(entry.at("deadband"), what, cure, rule.deadband)


def _idle_keys(entry: Entry[AnyRuleConfig], rule: Any, draft: Draft) -> Iterator[Problem]:
    channel = draft.channel(rule.channel)
    number = channel is not None and not channel.is_switch
    if number and getattr(rule, "deadband", None) == 0:
        cure = "A noisy value on the limit would ring again and again: give a few times its noise"
        yield Problem(entry.at("deadband"), "is 0 on a measured value", cure)
    if rule.hold_off_s > 0 and not rule.suppressed_by and rule.kind != "bad-measurement":
        cure = "Add suppressed_by, or leave it out"
        what = "does nothing without suppressed_by"
        yield Problem(entry.at("hold_off_s"), what, cure, rule.hold_off_s)


def _wrong_side(entry: Entry[AnyRuleConfig], rule: RuleConfig, draft: Draft) -> Iterator[Problem]:
    """Yield a leak rule that waits for the state that its own channel calls dry."""
    channel = draft.channel(rule.channel)
    states = channel.states if channel is not None else None
    waits_for = getattr(rule, "is_", None)
    if rule.failure != "floor-leak" or waits_for is None or states is None:
        return
    if states[waits_for].lower() == "dry":
        what = "is the state that its channel calls dry: it sounds while nothing is wrong, and is"
        cure = f"Write is = {str(not waits_for).lower()}"
        yield Problem(entry.at("is"), f"{what} silent when it is wet", cure, waits_for)


def _response(entry: Entry[AnyRuleConfig]) -> Iterator[Problem]:
    response = entry.config.response
    if not response.strip() and isinstance(entry.config, RuleConfig):
        cure = "Say what to do about it: without that it is no alarm"
        yield Problem(entry.at("response"), "is missing", cure)
    words = sorted({found.lower() for found in _RISKY.findall(response)})
    if words:
        what = f"says {' and '.join(words)}"
        cure = (
            "Wet hands and mains power meet here: say what to look at and whom to call, and "
            "leave the handling to the safety card"
        )
        yield Problem(entry.at("response"), what, cure)


def _implied(draft: Draft, rules: tuple[Rule, ...]) -> Iterator[Problem]:
    builtins = {rule.id: rule for rule in rules if rule.kind == "system"}
    by_id = {rule.id: rule for rule in rules}
    for entry, config in draft.channel_rules():
        channel = draft.channel(config.channel)
        if config.kind != "bad-measurement" or channel is None:
            continue
        delay = config.delay_s(channel.silent_s)
        late = implied_too_slow(by_id[config.id], delay, builtins)
        if late:
            what = f"it sounds after {delay:g} s, before {' and '.join(late)} can keep it quiet"
            needed = max(builtins[cause].on_delay for cause in late) // 1_000_000
            cure = f"Add {needed - delay + 60:g} s to on_delay_s for one notice instead of many"
            yield Problem(entry.at("on_delay_s"), what, cure)


def _priorities(rules: tuple[Rule, ...]) -> Iterator[Problem]:
    own = [rule for rule in rules if rule.kind != "system" and not rule.bold]
    critical = [rule.id for rule in own if rule.priority is Priority.CRITICAL]
    urgent = [rule.id for rule in own if rule.priority in (Priority.CRITICAL, Priority.HIGH)]
    if len(own) < _ENOUGH_TO_COUNT:
        return
    cure = "About 80 of 100 should be low, 15 medium, 5 high: by how much harm and how soon"
    if len(critical) > max(1, _CRITICAL_SHARE * len(own)):
        what = f"{len(critical)} of {len(own)} rules are critical: {', '.join(critical)}"
        yield Problem("rule: priority", what, cure)
    elif len(urgent) > max(1, _URGENT_SHARE * len(own)):
        what = f"{len(urgent)} of {len(own)} rules are high or critical: {', '.join(urgent)}"
        yield Problem("rule: priority", what, cure)


def _uncovered(
    draft: Draft, rules: tuple[Rule, ...], known: Mapping[str, bool]
) -> Iterator[Problem]:
    if all(rule.kind == "system" for rule in rules):
        yield Problem("rule", "there is none: nothing is watched", "Add [[rule]]")
        return
    covered = {rule.failure for rule in rules}
    for failure in _absent(draft):
        if failure in covered:
            what, cure = "is said not to happen here, and a rule is for it", "Leave one of them out"
            yield Problem("plant.without", what, cure, failure)
    open_ones = uncovered(draft, rules, known)
    if open_ones:
        what = f"{len(open_ones)} of {len(known)} failures have no rule: {', '.join(open_ones)}"
        found = suggested(draft, open_ones, load_templates())
        ready = dict.fromkeys(suggestion.failure for suggestion in found)
        cure = f". weirwatch check --suggest writes rules for {', '.join(ready)}" if ready else ""
        yield Problem("rule", what, f"Nothing warns of them{cure}")
    blind = [] if SILENT in open_ones else blind_channels(draft)
    if blind:
        what = f"nothing tells when {', '.join(blind)} falls silent, and rules watch there"
        cure = "A dead probe looks like a quiet tank. weirwatch check --suggest writes rules for it"
        yield Problem("rule", what, cure)


def blind_channels(draft: Draft) -> list[str]:
    """Return the channels that rules watch, and whose silence none tells."""
    watched = {rule.channel for _, rule in draft.channel_rules()}
    return [channel for channel in unguarded(draft) if channel in watched]


def uncovered(draft: Draft, rules: Iterable[Rule], known: Iterable[str]) -> list[str]:
    """Return the failures that no rule is for and that can happen here."""
    there = {*(rule.failure for rule in rules), *_absent(draft)}
    return [failure for failure in known if failure not in there]


def _absent(draft: Draft) -> list[str]:
    return draft.plant.plant.config.without if draft.plant is not None else []
