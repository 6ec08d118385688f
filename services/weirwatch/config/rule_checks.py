"""Does each rule make sense for its channel? Yields its problems."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from weirwatch.config.builtin import builtin_ids
from weirwatch.config.draft import Draft
from weirwatch.config.entries import Entry
from weirwatch.config.models import ChannelConfig
from weirwatch.config.problems import Problem, did_you_mean
from weirwatch.config.rule_models import AnyRuleConfig, RuleConfig, SystemRuleConfig, WhileConfig

# Kinds that can be written but that the engine does not judge yet: a rule that never sounds would
# be worse than none. A test keeps this in step with the engine.
NOT_YET: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Known:
    """What a rule may refer to.

    Attributes:
        bold: every failure of the catalogue by id, and whether it is bold.
        builtins: ids of the built-in rules.
    """

    draft: Draft
    bold: Mapping[str, bool]
    builtins: frozenset[str]

    @property
    def rules(self) -> frozenset[str]:
        """Ids of all rules, built-in ones too."""
        return self.draft.ids["rule"] | self.builtins

    @classmethod
    def of(cls, draft: Draft, bold: Mapping[str, bool]) -> "Known":
        """Return what the draft's rules may refer to."""
        channels = [entry.config.id for entry in draft.channels if entry.whole("id")]
        return cls(draft, bold, frozenset(builtin_ids(channels)))


def check_rules(known: Known) -> Iterator[Problem]:
    """Yield what is wrong with each rule by itself."""
    for entry in known.draft.rules:
        if isinstance(entry.config, SystemRuleConfig):
            yield from _builtin(entry, known)
        else:
            yield from _own(entry, entry.config, known)
        for at, term in enumerate(entry.config.while_):
            yield from _while(entry, at, term, known)


def _builtin(entry: Entry[AnyRuleConfig], known: Known) -> Iterator[Problem]:
    rule_id = entry.config.id
    if entry.whole("id") and rule_id not in known.builtins:
        cure = did_you_mean(rule_id, known.builtins)
        yield Problem(entry.at("id"), "is no built-in rule", cure, rule_id)


def _own(entry: Entry[AnyRuleConfig], rule: RuleConfig, known: Known) -> Iterator[Problem]:
    if rule.id in known.builtins and entry.whole("id", "kind"):
        cure = 'Write kind = "system" to change it, or give yours another id'
        yield Problem(entry.at("id"), "is the id of a built-in rule", cure, rule.id)
    if rule.failure is not None and rule.failure not in known.bold and entry.whole("failure"):
        cure = did_you_mean(rule.failure, known.bold, "docs/failures.md lists them")
        yield Problem(entry.at("failure"), "is not in the failure catalogue", cure, rule.failure)
    if entry.whole("channel") and rule.channel not in known.draft.ids["channel"]:
        cure = did_you_mean(rule.channel, known.draft.ids["channel"])
        yield Problem(entry.at("channel"), "is no channel of this file", cure, rule.channel)
    if rule.kind in NOT_YET and entry.whole("kind"):
        cure = "Leave the rule out for now, or see whether another kind serves"
        yield Problem(entry.at("kind"), "is not judged by this version yet", cure, rule.kind)
    if entry.whole("kind"):
        channel = known.draft.channel(rule.channel) if entry.whole("channel") else None
        yield from _KINDS[rule.kind](_Subject(entry, rule, channel, known.draft))


@dataclass(frozen=True, slots=True)
class _Subject:
    """A rule with its channel; None where the channel cannot be judged."""

    entry: Entry[AnyRuleConfig]
    rule: Any  # the model of its kind: each check below knows which
    channel: ChannelConfig | None
    draft: Draft

    @property
    def on_switch(self) -> bool:
        return self._whole_channel and self.channel is not None and self.channel.is_switch

    @property
    def on_number(self) -> bool:
        return self._whole_channel and self.channel is not None and not self.channel.is_switch

    @property
    def _whole_channel(self) -> bool:
        entry = self.draft.channels_by_id.get(self.rule.channel)
        return entry is not None and entry.whole("quantity")

    def problem(self, key: str, what: str, cure: str) -> Problem:
        value = getattr(self.rule, {"is": "is_", "from": "from_"}.get(key, key))
        return Problem(self.entry.at(key), what, cure, value)

    def given(self, *keys: str) -> list[str]:
        """Return those of the keys that are set or were complained of."""
        fields = {"is": "is_", "from": "from_"}
        return [
            key
            for key in keys
            if not self.entry.whole(key) or getattr(self.rule, fields.get(key, key)) is not None
        ]

    def exactly_one(self, *keys: str) -> Iterator[Problem]:
        given = self.given(*keys)
        if len(given) != 1:
            what = f"has {' and '.join(given)}" if given else f"has none of {', '.join(keys)}"
            cure = f"Give exactly one of {', '.join(keys)}"
            yield Problem(self.entry.place, what, cure)

    def at_least_one(self, *keys: str) -> Iterator[Problem]:
        if not self.given(*keys):
            what = f"has none of {', '.join(keys)}"
            yield Problem(self.entry.place, what, f"Give {' or '.join(keys)}")

    def needs_number(self) -> Iterator[Problem]:
        if self.on_switch:
            what = f"is a switch, and {self.rule.kind} needs numbers"
            cure = 'Write kind = "absolute" with is = true or false'
            yield self.problem("channel", what, cure)


def _absolute(at: _Subject) -> Iterator[Problem]:
    yield from at.exactly_one("high", "low", "is")
    if at.rule.is_ is not None and at.on_number:
        yield at.problem("is", "is for switches, and the channel gives numbers", "Give high or low")
    for key in ("high", "low"):
        if getattr(at.rule, key) is not None and at.on_switch:
            cure = "Give is = true or is = false"
            yield at.problem(key, "is for numbers, and the channel is a switch", cure)


def _deviation(at: _Subject) -> Iterator[Problem]:
    yield from at.needs_number()
    twin_id = at.rule.from_
    if not isinstance(twin_id, str) or not at.entry.whole("from"):
        return
    if twin_id == at.rule.channel:
        yield at.problem("from", "is the rule's own channel", "Name its twin")
    elif twin_id not in at.draft.ids["channel"]:
        cure = did_you_mean(twin_id, at.draft.ids["channel"])
        yield at.problem("from", "is no channel of this file", cure)
    twin = at.draft.channel(twin_id)
    if twin is not None and at.channel is not None and twin.unit != at.channel.unit:
        what = f"is in {twin.unit or 'no unit'} and the rule's channel in {at.channel.unit}"
        yield at.problem("from", what, "Give both channels the same unit")


def _rate_of_change(at: _Subject) -> Iterator[Problem]:
    yield from at.at_least_one("rise", "fall")
    yield from at.needs_number()


def _discrepancy(at: _Subject) -> Iterator[Problem]:
    numbers = at.given("expected_min", "expected_max")
    if bool(numbers) == bool(at.given("expected")):
        have = "has expected and " + " and ".join(numbers) if numbers else "expects nothing"
        cure = "Give expected for a switch, else expected_min or expected_max or both"
        yield Problem(at.entry.place, have, cure)
    if at.rule.expected is not None and at.on_number:
        cure = "Give expected_min or expected_max"
        yield at.problem("expected", "is for switches, and the channel gives numbers", cure)
    if numbers and at.on_switch:
        what, cure = "is for numbers, and the channel is a switch", "Give expected = true or false"
        yield at.problem(numbers[0], what, cure)
    low, high = at.rule.expected_min, at.rule.expected_max
    if low is not None and high is not None and low >= high:
        yield at.problem("expected_min", f"is not below expected_max = {high:g}", "Swap them")


def _bad_measurement(at: _Subject) -> Iterator[Problem]:
    given = at.rule.silent or at.rule.frozen_s is not None or at.rule.outside_valid
    if not given and at.entry.whole("silent", "frozen_s", "outside_valid"):
        cure = "Give silent = true, frozen_s or outside_valid = true"
        yield Problem(at.entry.place, "looks for nothing", cure)
    if at.channel is None:
        return
    if at.rule.silent and at.channel.expected_every_s is None:
        cure = "Add expected_every_s to the channel"
        yield at.problem("silent", "needs to know how often the channel reports", cure)
    if at.rule.outside_valid and at.channel.valid is None:
        cure = "Add valid = [lowest, highest] to the channel"
        yield at.problem("outside_valid", "needs the channel's valid range", cure)
    if at.rule.frozen_s is not None and at.on_switch:
        what = "cannot be told of a switch, which may rightly stay as it is"
        yield at.problem("frozen_s", what, "Leave it out")


def _duty(at: _Subject) -> Iterator[Problem]:
    yield from at.at_least_one("on_for_s", "starts")
    if at.on_number:
        yield at.problem("channel", "gives numbers, and duty needs a switch", "Name a switch")
    longest = at.rule.window_s
    if at.rule.on_for_s is not None and at.rule.on_for_s > longest and at.entry.whole("window_s"):
        cure = f"Write at most window_s = {longest:g}"
        yield at.problem("on_for_s", "is longer than its window", cure)


def _forecast(at: _Subject) -> Iterator[Problem]:
    yield from at.exactly_one("high", "low")
    yield from at.needs_number()


_KINDS: Mapping[str, Callable[[_Subject], Iterator[Problem]]] = {
    "absolute": _absolute,
    "deviation": _deviation,
    "rate-of-change": _rate_of_change,
    "discrepancy": _discrepancy,
    "bad-measurement": _bad_measurement,
    "duty": _duty,
    "forecast": _forecast,
}

_WHILE_FORMS = "{ channel, is }, { channel, above }, { channel, below }, { alarm } or { between }"


def _while(
    entry: Entry[AnyRuleConfig], at: int, term: WhileConfig, known: Known
) -> Iterator[Problem]:
    where = entry.at(f"while[{at + 1}]")
    tests = [key for key in ("is_", "above", "below") if getattr(term, key) is not None]
    subjects = [key for key in ("channel", "alarm", "between") if getattr(term, key) is not None]
    if len(subjects) != 1 or len(tests) != (1 if subjects == ["channel"] else 0):
        yield Problem(where, "is none of the forms of a while", f"Write {_WHILE_FORMS}")
        return
    if term.alarm is not None:
        yield from _while_alarm(entry, f"{where}.alarm", term.alarm, known)
    elif term.channel is not None:
        yield from _while_channel(where, term, term.channel, known)


def _while_alarm(
    entry: Entry[AnyRuleConfig], where: str, alarm: str, known: Known
) -> Iterator[Problem]:
    if alarm == entry.config.id and entry.whole("id"):
        cure = "Name another rule"
        yield Problem(where, "is this very rule, which could then never start", cure, alarm)
    elif alarm not in known.rules:
        yield Problem(where, "is no rule", did_you_mean(alarm, known.rules), alarm)


def _while_channel(
    where: str, term: WhileConfig, channel_id: str, known: Known
) -> Iterator[Problem]:
    known_ids = known.draft.ids["channel"]
    if channel_id not in known_ids:
        cure = did_you_mean(channel_id, known_ids)
        yield Problem(f"{where}.channel", "is no channel of this file", cure, channel_id)
    channel = known.draft.channel(channel_id)
    if channel is None:
        return
    if channel.is_switch and term.is_ is None:
        cure = "Give is = true or is = false"
        yield Problem(f"{where}.channel", "is a switch", cure, channel_id)
    if not channel.is_switch and term.is_ is not None:
        yield Problem(f"{where}.channel", "gives numbers", "Give above or below", channel_id)
