"""Suppression by design: which rule keeps which quiet, and whether that can work."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from weirwatch.config.builtin import BROKER_LOST, node_of, node_rule_ids
from weirwatch.config.default_failure import failure_of
from weirwatch.config.entries import Entry
from weirwatch.config.problems import Problem, did_you_mean
from weirwatch.config.rule_checks import Known
from weirwatch.config.rule_models import AnyRuleConfig, RuleConfig
from weirwatch.domain.instant import seconds
from weirwatch.domain.rule import BadMeasurement, Rule

_DELAY_KEYS = ("on_delay_s", "within_s", "silent", "frozen_s", "outside_valid", "kind", "channel")


def check_suppression(known: Known, builtins: Iterable[Rule]) -> Iterator[Problem]:
    """Yield what is wrong with `suppressed_by` and with alarms in `while`.

    Args:
        known: what a rule may refer to.
        builtins: the built-in rules as the file leaves them.
    """
    for entry in known.draft.rules:
        yield from _references(entry, known)
    yield from _cycles(known, "suppressed_by", "suppression goes round in a circle")
    yield from _cycles(known, "while", "each waits for the other's alarm")
    delays = _delays(known, builtins)
    for entry in known.draft.rules:
        yield from _too_slow_causes(entry, delays)


def with_implied(rules: Iterable[Rule], channels: Iterable[str]) -> tuple[Rule, ...]:
    """Return the rules; a silent probe is kept quiet while its node or the broker is lost."""
    nodes = node_rule_ids(channels)
    return tuple(_with_implied(rule, nodes) for rule in rules)


def _with_implied(rule: Rule, nodes: Mapping[str, str]) -> Rule:
    silent = isinstance(rule.condition, BadMeasurement) and rule.condition.silent
    if not silent or rule.bold or rule.channel is None:
        return rule
    causes = (*rule.suppressed_by, nodes[node_of(rule.channel)], BROKER_LOST)
    return replace(rule, suppressed_by=tuple(dict.fromkeys(causes)))


def implied_too_slow(rule: Rule, delay_s: float, builtins: Mapping[str, Rule]) -> list[str]:
    """Return the built-in causes of a silent rule that stand later than the rule itself."""
    return [
        cause
        for cause in rule.suppressed_by
        if cause in builtins and seconds(builtins[cause].on_delay) >= delay_s
    ]


def _references(entry: Entry[AnyRuleConfig], known: Known) -> Iterator[Problem]:
    config = entry.config
    for cause in dict.fromkeys(config.suppressed_by):
        where = entry.at("suppressed_by")
        if cause == config.id and entry.whole("id"):
            yield Problem(where, "names the rule itself", "Name its cause", cause)
        elif cause not in known.rules:
            cure = did_you_mean(cause, known.rules)
            yield Problem(where, "names a rule that is not there", cure, cause)
    if not isinstance(config, RuleConfig) or not config.suppressed_by:
        return
    failure = failure_of(config, known.draft.channel(config.channel), known.bold)
    if known.bold.get(failure) and entry.whole("failure"):
        what = f"is refused: {failure} is a failure that is never suppressed"
        cure = "Leave suppressed_by out"
        yield Problem(entry.at("suppressed_by"), what, cure, list(config.suppressed_by))


def _cycles(known: Known, key: str, what: str) -> Iterator[Problem]:
    edges: dict[str, list[str]] = {}
    places: dict[str, str] = {}
    for entry in known.draft.rules:
        config = entry.config
        alarms = [term.alarm for term in config.while_ if term.alarm is not None]
        named = config.suppressed_by if key == "suppressed_by" else alarms
        edges[config.id] = [other for other in dict.fromkeys(named) if other != config.id]
        places[config.id] = entry.at(key)
    for circle in circles(edges):
        yield Problem(
            places[circle[0]],
            f"{what}: {' → '.join((*circle, circle[0]))}",
            "Leave one of them out",
        )


def circles(edges: Mapping[str, Iterable[str]]) -> Iterator[tuple[str, ...]]:
    """Yield each circle of a graph that a walk in depth meets, without recursion."""
    done: set[str] = set()
    for start in edges:
        path: dict[str, Iterator[str]] = {}  # in order; what of each is still to be followed
        if start not in done:
            path[start] = iter(edges[start])
        while path:
            node = next(reversed(path))
            following = next(path[node], None)
            if following is None:
                done.add(node)
                del path[node]
            elif following in path:
                walked = list(path)
                yield tuple(walked[walked.index(following) :])
            elif following in edges and following not in done:
                path[following] = iter(edges[following])


@dataclass(frozen=True, slots=True)
class _Delay:
    seconds: float
    made_of: str  # how it comes about, for people


def _delays(known: Known, builtins: Iterable[Rule]) -> Mapping[str, _Delay]:
    delays = {}
    for entry, rule in known.draft.channel_rules():
        if not entry.whole("id", *_DELAY_KEYS):
            continue
        channel = known.draft.channel(rule.channel)
        if channel is None or (rule.kind == "bad-measurement" and channel.silent_s is None):
            silent = None
        else:
            silent = channel.silent_s
        delays[rule.id] = _Delay(rule.delay_s(silent), _made_of(rule))
    for builtin in builtins:
        delays[builtin.id] = _Delay(seconds(builtin.on_delay), "on_delay_s")
    return delays


def _made_of(rule: RuleConfig) -> str:
    if rule.kind == "discrepancy":
        return "within_s + on_delay_s"
    if rule.kind == "bad-measurement":
        return "the shortest of its silences + on_delay_s"
    return "on_delay_s"


def _too_slow_causes(
    entry: Entry[AnyRuleConfig], delays: Mapping[str, _Delay]
) -> Iterator[Problem]:
    own = delays.get(entry.config.id)
    if own is None or not entry.whole("id"):
        return
    for cause_id in dict.fromkeys(entry.config.suppressed_by):
        cause = delays.get(cause_id)
        if cause is None or cause_id == entry.config.id or cause.seconds < own.seconds:
            continue
        what = (
            f'its cause "{cause_id}" stands after {cause.seconds:g} s ({cause.made_of}), not '
            f"before this rule after {own.seconds:g} s ({own.made_of})"
        )
        cure = f"Make this rule wait longer than {cause.seconds:g} s, or the cause shorter"
        yield Problem(entry.at("suppressed_by"), what, cure, cause_id)
