"""A drill of several failures at once: which rules count for each, and how each one ended."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from weirwatch.domain.alarm import Event
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.naming import names
from weirwatch.domain.reading import Channel
from weirwatch.domain.rule import Deviation, Rule
from weirwatch.pipeline.drill import Outcome
from weirwatch.pipeline.drill_result import counted_failures
from weirwatch.pipeline.plant_source import HarmBegins

AFTER_REPAIR: Micros = 1800 * SECOND  # what sounds or harms so soon after still belongs to it

# A fault that is no failure of the catalogue → the failures whose rules tell it.
_SHOWS_AS: Mapping[str, tuple[str, ...]] = {
    "siphon-break-blocked": ("sump-high",),
    "probe-fouled": ("probe-drift", "probe-frozen"),
    "probe-bubble": ("probe-drift", "probe-frozen"),
    "probe-dropping": ("probe-silent",),
    "probe-in-cup": ("probe-drift",),
    "node-clock-wrong": ("node-offline", "probe-silent"),
    "node-doubling": ("node-offline",),
    "node-rebooting": ("node-offline", "probe-silent"),
}
_NEED_NOT_BE_TOLD = frozenset((*_SHOWS_AS, "mains-restored")) - {"siphon-break-blocked"}


class Finding(StrEnum):
    """What came of one fault."""

    DETECTED = "detected"
    LATE = "late"
    MISSED = "missed"
    STOOD = "stood already"
    QUIET = "quiet"
    UNWANTED = "unwanted"

    @property
    def passes(self) -> bool:
        """Whether it is as it should be."""
        return self not in (Finding.LATE, Finding.MISSED, Finding.UNWANTED)


@dataclass(frozen=True, slots=True)
class TimelineFault:
    """One fault of a timeline, as it is judged.

    Attributes:
        number: of its entry in the file, from 1.
        targets: what it strikes; empty: all of the plant.
        begins, repaired: plant time; None: never.
        told_by: failures whose rules tell it.
        expect: told, quiet or either.
    """

    number: int
    fault: str
    says: str
    targets: tuple[str, ...]
    strikes: str
    begins: Micros
    repaired: Micros | None
    told_by: frozenset[str]
    expect: str

    @property
    def counts_until(self) -> Micros | None:
        """Until when what sounds and harms belongs to it; None: to the end."""
        return None if self.repaired is None else self.repaired + AFTER_REPAIR

    def stands(self, time: Micros) -> bool:
        """Whether it stands at a time."""
        return self.begins <= time and (self.repaired is None or time < self.repaired)


@dataclass(frozen=True, slots=True)
class FaultResult:
    """What came of one fault; times in seconds from its beginning.

    Attributes:
        detected_s, harm_s: None: not at all.
        first_alarm: id of the rule that told it, or whose alarm stood already; or empty.
    """

    fault: TimelineFault
    finding: Finding
    detected_s: float | None
    harm_s: float | None
    first_alarm: str
    harm: str
    harm_source: str
    judged_s: float

    @property
    def margin_s(self) -> float | None:
        """Seconds between detection and harm; None: one of them did not come."""
        if self.detected_s is None or self.harm_s is None:
            return None
        return self.harm_s - self.detected_s


@dataclass(frozen=True, slots=True)
class Sounded:
    """An annunciation that tells none of the faults.

    Attributes:
        during: the numbers of the faults that stood then.
        false: whether none of the timeline's entries had begun.
    """

    time: Micros
    rule: str
    message: str
    during: tuple[int, ...]
    false: bool


@dataclass(frozen=True, slots=True)
class TimelineResult:
    """What came of a whole timeline."""

    faults: tuple[FaultResult, ...]
    sounded: tuple[Sounded, ...]
    notices: int
    readings: int
    quarantined: int
    harm: HarmBegins | None

    @property
    def passed(self) -> bool:
        """Whether every fault ended as it should."""
        return all(result.finding.passes for result in self.faults)


def telling_failures(fault: str) -> frozenset[str]:
    """Return the failures whose rules count as having told a fault."""
    return frozenset(name for f in _SHOWS_AS.get(fault, (fault,)) for name in counted_failures(f))


def usual_expectation(fault: str) -> str:
    """Return what is expected when nothing is said: `told`, or `either` for what may stay quiet."""
    return "either" if fault in _NEED_NOT_BE_TOLD else "told"


def telling_rules(
    fault: TimelineFault,
    rules: Collection[Rule],
    channels: Mapping[str, Channel],
    others: Sequence[str],
) -> frozenset[str]:
    """Return the ids of the rules that tell a fault: those of its failures.

    Left out are those that plainly watch another vessel, loop, probe or node than the one struck.

    Args:
        fault: with its targets.
        rules: the keeper's and the built-in ones.
        channels: by id.
        others: what else of the same kind the plant has.
    """
    return frozenset(
        rule.id
        for rule in rules
        if rule.failure in fault.told_by
        and not (fault.targets and _of_another(rule, fault, channels, others))
    )


def _of_another(
    rule: Rule, fault: TimelineFault, channels: Mapping[str, Channel], others: Sequence[str]
) -> bool:
    channel = channels.get(rule.channel or "")
    if fault.strikes == "channel":
        twin = rule.condition.twin if isinstance(rule.condition, Deviation) else None
        return rule.channel is not None and not {rule.channel, twin} & set(fault.targets)
    if fault.strikes == "node":
        node = rule.id.rpartition("/")[2] if channel is None else channel.node
        return node not in fault.targets
    if channel is None:
        return False
    if fault.strikes == "vessel":
        return channel.vessel in others
    if fault.strikes == "loop":
        named = [name for name in (*others, *fault.targets) if names(channel.name, name)]
        return bool(named) and not set(named) & set(fault.targets)
    return False


def judge_timeline(
    outcome: Outcome,
    faults: Sequence[TimelineFault],
    telling: Mapping[int, frozenset[str]],
    harms: Mapping[int, HarmBegins | None],
    first_entry: Micros,
) -> TimelineResult:
    """Return what a play of a timeline has shown.

    Args:
        outcome: of the whole play.
        faults: in the order of the file.
        telling: rules that tell a fault, by its number.
        harms: the first one of each fault, by its number.
        first_entry: when the first entry of any kind begins.
    """
    events = sorted((e for e in outcome.events if e.rule), key=lambda event: event.time)
    bells = [event for event in events if event.annunciated]
    results = tuple(
        _judge(
            fault, telling[fault.number], harms[fault.number], events, outcome.ended, first_entry
        )
        for fault in faults
    )
    claimed = {
        id(event)
        for fault in faults
        for event in bells
        if event.rule in telling[fault.number] and _within(fault, event.time)
    }
    return TimelineResult(
        faults=results,
        sounded=tuple(
            Sounded(
                event.time,
                event.rule,
                event.message,
                tuple(fault.number for fault in faults if fault.stands(event.time)),
                event.time < first_entry,
            )
            for event in bells
            if id(event) not in claimed
        ),
        notices=len(outcome.notices),
        readings=outcome.readings,
        quarantined=outcome.quarantined,
        harm=outcome.harm,
    )


def _judge(
    fault: TimelineFault,
    telling: frozenset[str],
    harm: HarmBegins | None,
    events: Sequence[Event],
    ended: Micros,
    first_entry: Micros,
) -> FaultResult:
    first = next(
        (e for e in events if e.annunciated and e.rule in telling and _within(fault, e.time)), None
    )
    since = [event for event in events if event.time >= first_entry]  # what rang before is false
    stood = min(_standing(since, fault.begins) & telling, default="")
    detected_s = None if first is None else (first.time - fault.begins) / SECOND
    harm_s = None if harm is None else (harm.at - fault.begins) / SECOND
    until = min(ended, ended if fault.counts_until is None else fault.counts_until)
    return FaultResult(
        fault=fault,
        finding=_finding(fault.expect, detected_s, harm_s, stood),
        detected_s=detected_s,
        harm_s=harm_s,
        first_alarm=stood if first is None else first.rule,
        harm="" if harm is None else harm.says,
        harm_source="" if harm is None else harm.source,
        judged_s=(until - fault.begins) / SECOND,
    )


def _finding(expect: str, detected_s: float | None, harm_s: float | None, stood: str) -> Finding:
    if expect == "quiet":
        return Finding.QUIET if detected_s is None else Finding.UNWANTED
    if detected_s is not None and (harm_s is None or detected_s <= harm_s):
        return Finding.DETECTED
    if stood:
        return Finding.STOOD
    if expect == "either":
        return Finding.QUIET if detected_s is None else Finding.DETECTED
    return Finding.MISSED if detected_s is None else Finding.LATE


def _within(fault: TimelineFault, time: Micros) -> bool:
    until = fault.counts_until
    return fault.begins <= time and (until is None or time <= until)


def _standing(events: Sequence[Event], time: Micros) -> set[str]:
    """Return the rules whose alarms had been told and stood at a time."""
    told: set[str] = set()
    for event in events:
        if event.time >= time:
            break
        if event.annunciated:
            told.add(event.rule)
        elif event.to_state not in ("unacknowledged", "acknowledged"):
            told.discard(event.rule)
    return told
