"""What is doubtful about a signal: windows, deadbands on change, probes in a cup, mixed taps."""

from collections.abc import Iterable, Iterator

from weirwatch.config.draft import Draft
from weirwatch.config.entries import Entry
from weirwatch.config.models import TapConfig
from weirwatch.config.problems import Problem
from weirwatch.config.rule_models import (
    AnyRuleConfig,
    ForecastConfig,
    RateOfChangeConfig,
    RuleConfig,
)
from weirwatch.domain.rule import Rule

_READINGS_A_WINDOW = 4  # two cells of two readings: a slope between fewer is chance


def advise_on_signals(draft: Draft, rules: Iterable[Rule]) -> Iterator[Problem]:
    """Yield what is doubtful about windows, what planned work makes uncertain, and taps."""
    for entry, rule in draft.channel_rules():
        yield from _window(entry, rule, draft)
        yield from _change_deadband(entry, rule)
    yield from _blinded(draft, tuple(rules))
    yield from _mixed(draft)


def _window(entry: Entry[AnyRuleConfig], rule: RuleConfig, draft: Draft) -> Iterator[Problem]:
    channel = draft.channel(rule.channel)
    if not isinstance(rule, RateOfChangeConfig | ForecastConfig) or channel is None:
        return
    every = channel.expected_every_s
    if every is not None and rule.window_s < _READINGS_A_WINDOW * every:
        what = f"is shorter than {_READINGS_A_WINDOW} readings of its channel"
        cure = f"Write at least {_READINGS_A_WINDOW * every:g}; ten times that sees a trend"
        yield Problem(entry.at("window_s"), what, cure, rule.window_s)


def _change_deadband(entry: Entry[AnyRuleConfig], rule: RuleConfig) -> Iterator[Problem]:
    if not isinstance(rule, RateOfChangeConfig):
        return
    limit = min((change for change in (rule.rise, rule.fall) if change is not None), default=None)
    if limit is not None and rule.deadband >= limit:
        what = "is not smaller than the limit: a value at rest does not end the alarm"
        yield Problem(entry.at("deadband"), what, f"Write less than {limit:g}", rule.deadband)


def _blinded(draft: Draft, rules: tuple[Rule, ...]) -> Iterator[Problem]:
    for entry in draft.planned_works:
        blind = [r.id for r in rules if r.bold and r.channel in entry.config.calibrates]
        if blind:
            what = f"leaves {' and '.join(blind)} without a reading to trust while it is under way"
            cure = "Keep it short, and an eye on the water meanwhile"
            yield Problem(entry.at("calibrates"), what, cure)


def _mixed(draft: Draft) -> Iterator[Problem]:
    """Yield measured channels that two taps feed: two probes in one look like one that jumps."""
    first: dict[str, Entry[TapConfig]] = {}
    for entry in draft.taps:
        tap = entry.config
        channel = draft.channel(tap.channel)
        if channel is None or channel.quantity == "switch":
            continue
        other = first.setdefault(tap.channel, entry)
        if other is not entry:
            what = f"is fed by {other.place} as well, from {other.config.topic}"
            cure = "Give each probe a channel of its own; leave one tap out if they are the same"
            yield Problem(entry.at("channel"), what, cure, tap.channel)
