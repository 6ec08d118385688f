"""What a play has shown: detected or not, how soon, with how much time left, and what else rang."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from weirwatch.domain.alarm import Event
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.rule import Rule
from weirwatch.pipeline.drill import Outcome

# A failure that shows itself as another one counts as detected by that one's rule.
SYNONYMS: Mapping[str, tuple[str, ...]] = {
    # After a cut, what does not come back is told by its own rule.
    "mains-restored": ("return-pump-stopped", "return-flow-reduced", "circuit-lost"),
    # Each of the cuts is told as a cut.
    "mains-unstable": ("mains-lost",),
}


class Verdict(StrEnum):
    """How a play ended."""

    DETECTED = "detected"
    LATE = "late"
    MISSED = "missed"


@dataclass(frozen=True, slots=True)
class RunResult:
    """One play of one failure.

    Attributes:
        says: what happened.
        detected_s, harm_s: seconds from the failure's beginning; None: not within the play.
        first_alarm: id of the rule that told it first; empty when missed.
        other_alarms: rules annunciated after the beginning that are not about this failure.
        false_alarms: rules annunciated before the beginning, or just so without the failure.
        held: rules about this failure that were raised and never announced.
        harm, harm_source: what the harm is, and where its threshold comes from.
        played_s: seconds played since the beginning.
        quarantined: payloads that could not be used; above 0 the drill itself is wrong.
    """

    run: int
    says: str
    verdict: Verdict
    detected_s: float | None
    harm_s: float | None
    first_alarm: str
    other_alarms: tuple[str, ...]
    false_alarms: tuple[str, ...]
    notices: int
    harm: str
    harm_source: str
    played_s: float
    quarantined: int = 0
    curves: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)
    held: tuple[str, ...] = ()

    @property
    def margin_s(self) -> float | None:
        """Seconds between detection and harm; None: no harm, or not detected."""
        if self.detected_s is None or self.harm_s is None:
            return None
        return self.harm_s - self.detected_s


def counted_failures(failure: str) -> frozenset[str]:
    """Return the failures whose rules count as having detected this one."""
    return frozenset((failure, *SYNONYMS.get(failure, ())))


def first_telling(outcome: Outcome, wanted: Collection[str]) -> Event | None:
    """Return the first annunciation of one of these rules after the failure began, or None."""
    return min(
        (
            event
            for event in outcome.events
            if event.annunciated and event.rule in wanted and event.time >= outcome.began
        ),
        key=lambda event: event.time,
        default=None,
    )


def judge_run(
    failure: str,
    run: int,
    outcome: Outcome,
    rules: Mapping[str, Rule],
    anyway: Collection[str] = (),
) -> RunResult:
    """Return what a play of a failure has shown.

    Args:
        failure: its id.
        run: which of its plays.
        outcome: what came of it.
        rules: by id.
        anyway: those that sound just so when nothing fails.
    """
    counted = counted_failures(failure)
    about = {rule.id for rule in rules.values() if rule.failure in counted}
    annunciated = [event for event in outcome.events if event.annunciated and event.rule]
    false = [e for e in annunciated if e.time < outcome.began or e.rule in anyway]
    after = [event for event in annunciated if event not in false]
    first = first_telling(outcome, about.difference(anyway))
    raised = _names(
        e
        for e in outcome.events
        if e.kind == "raised" and e.rule in about and e.time >= outcome.began
    )
    sounded = {event.rule for event in annunciated}
    detected_s = None if first is None else _since(outcome.began, first.time)
    harm = outcome.harm
    harm_s = None if harm is None else _since(outcome.began, harm.at)
    return RunResult(
        run=run,
        says=outcome.says,
        verdict=_verdict(detected_s, harm_s),
        detected_s=detected_s,
        harm_s=harm_s,
        first_alarm="" if first is None else first.rule,
        other_alarms=_names(event for event in after if event.rule not in about),
        false_alarms=_names(false),
        notices=len(outcome.notices),
        harm="" if harm is None else harm.says,
        harm_source="" if harm is None else harm.source,
        played_s=_since(outcome.began, outcome.ended),
        quarantined=outcome.quarantined,
        curves={
            channel: tuple((_since(outcome.began, time), value) for time, value in points)
            for channel, points in outcome.curves.items()
        },
        held=tuple(rule for rule in raised if rule not in sounded),
    )


@dataclass(frozen=True, slots=True)
class FalseAlarm:
    """An alarm in ordinary life."""

    time: Micros
    rule: str
    title: str
    message: str


@dataclass(frozen=True, slots=True)
class NormalResult:
    """One run of ordinary life."""

    run: int
    says: str
    days: float
    false_alarms: tuple[FalseAlarm, ...]
    notices: int
    readings: int
    quarantined: int = 0


def judge_normal(run: int, outcome: Outcome, rules: Mapping[str, Rule]) -> NormalResult:
    """Return what ordinary life has shown: every annunciation in it is a false alarm."""
    found = tuple(
        FalseAlarm(event.time, event.rule, rules[event.rule].title, event.message)
        for event in outcome.events
        if event.annunciated and event.rule
    )
    days = (outcome.ended - outcome.start) / (86_400 * SECOND)
    return NormalResult(
        run, outcome.says, days, found, len(outcome.notices), outcome.readings, outcome.quarantined
    )


def _verdict(detected_s: float | None, harm_s: float | None) -> Verdict:
    if detected_s is None:
        return Verdict.MISSED
    if harm_s is not None and detected_s > harm_s:
        return Verdict.LATE
    return Verdict.DETECTED


def _since(began: Micros, time: Micros) -> float:
    return (time - began) / SECOND


def _names(events: Iterable[Event]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(event.rule for event in events))
