"""Does planned work make sense for its rules and channels? And what it becomes."""

from collections.abc import Iterable, Iterator, Mapping

from weirwatch.config.draft import Draft
from weirwatch.config.entries import Entry
from weirwatch.config.problems import Problem, did_you_mean
from weirwatch.config.work_models import CheckConfig, PlannedWorkConfig
from weirwatch.domain.instant import SECOND, micros
from weirwatch.domain.planned_work import PlannedWork
from weirwatch.domain.rule import Rule


def check_planned_work(
    draft: Draft, rules: Iterable[Rule], bold: Mapping[str, bool]
) -> Iterator[Problem]:
    """Yield what is wrong with planned work.

    Args:
        draft: the file's tables.
        rules: all rules as they will run.
        bold: every failure of the catalogue by id, and whether it is bold.
    """
    rules = tuple(rules)
    for entry in draft.planned_works:
        if entry.whole("rules"):
            yield from _rules(entry, rules, bold)
        yield from _calibrates(entry, draft)
        for at, check in enumerate(entry.config.check):
            yield from _check(entry.at(f"check[{at + 1}]"), check, draft)


def planned_works(draft: Draft, rules: Iterable[Rule]) -> tuple[PlannedWork, ...]:
    """Return the planned work of a draft in which nothing is wrong."""
    rules = tuple(rules)
    return tuple(_work(entry.config, rules) for entry in draft.planned_works)


def _work(config: PlannedWorkConfig, rules: tuple[Rule, ...]) -> PlannedWork:
    chosen = _chosen(config.rules, rules)
    return PlannedWork(
        id=config.id,
        title=config.title or config.id.replace("-", " ").replace("_", " ").capitalize(),
        duration=micros(config.minutes * 60),
        settle=micros(config.settle_s),
        rules=tuple(rule.id for rule in chosen),
        calibrates=frozenset(config.calibrates),
        checks=tuple(check.to_domain() for check in config.check),
        longest=min(rule.shelve_max for rule in chosen),
    )


def _chosen(names: Iterable[str], rules: tuple[Rule, ...]) -> list[Rule]:
    """Return the rules that are named by id or, where no rule has that id, by failure."""
    ids = {rule.id for rule in rules}
    wanted = set(names)
    failures = wanted - ids
    return [
        rule
        for rule in rules
        if not rule.bold
        and (rule.id in wanted or (rule.failure in failures and rule.kind != "system"))
    ]


def _rules(
    entry: Entry[PlannedWorkConfig],
    rules: tuple[Rule, ...],
    bold: Mapping[str, bool],
) -> Iterator[Problem]:
    known = {rule.id: rule for rule in rules}
    failures = {rule.failure for rule in rules if rule.kind != "system"}
    cure = "Leave it out: it guards against a failure that kills or floods within minutes"
    for name in entry.config.rules:
        if (name in known and known[name].bold) or (name not in known and bold.get(name)):
            what = "is or has a bold failure, which is never kept quiet together with others"
            yield Problem(entry.at("rules"), what, cure, name)
        elif name not in known and name not in failures:
            others = did_you_mean(name, {*known, *failures})
            yield Problem(entry.at("rules"), "is no rule, nor a failure with a rule", others, name)
    chosen = _chosen(entry.config.rules, rules)
    shortest = min((rule.shelve_max for rule in chosen), default=None)
    asked = micros(entry.config.minutes * 60 + entry.config.settle_s)
    if shortest is not None and asked > shortest and entry.whole("minutes", "settle_s"):
        what = f"with settle_s is longer than {shortest / (60 * SECOND):g} minutes, the most that "
        what += "one of its rules may be shelved"
        cure = "Write less, or give that rule a longer shelve_max_minutes"
        yield Problem(entry.at("minutes"), what, cure, entry.config.minutes)


def _calibrates(entry: Entry[PlannedWorkConfig], draft: Draft) -> Iterator[Problem]:
    for at, channel in enumerate(entry.config.calibrates):
        if channel not in draft.ids["channel"]:
            cure = did_you_mean(channel, draft.ids["channel"])
            where = entry.at(f"calibrates[{at + 1}]")
            yield Problem(where, "is no channel of this file", cure, channel)


def _check(where: str, check: CheckConfig, draft: Draft) -> Iterator[Problem]:
    tests = [key for key in ("is_", "above", "below") if getattr(check, key) is not None]
    if len(tests) != 1:
        cure = "Write { channel, is }, { channel, above } or { channel, below }"
        yield Problem(where, "does not say what to expect", cure)
        return
    if check.channel not in draft.ids["channel"]:
        cure = did_you_mean(check.channel, draft.ids["channel"])
        yield Problem(f"{where}.channel", "is no channel of this file", cure, check.channel)
        return
    channel = draft.channel(check.channel)
    if channel is None:
        return
    if channel.is_switch and check.is_ is None:
        yield Problem(f"{where}.channel", "is a switch", "Give is = true or false", check.channel)
    if not channel.is_switch and check.is_ is not None:
        yield Problem(f"{where}.channel", "gives numbers", "Give above or below", check.channel)
