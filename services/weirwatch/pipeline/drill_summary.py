"""A failure's plays put together: percentiles, the worst verdict, and a sentence in plain words."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from math import ceil
from typing import Any

from weirwatch.domain.instant import SECOND
from weirwatch.domain.rule import Rule
from weirwatch.pipeline.drill_advice import ADVICE
from weirwatch.pipeline.drill_result import RunResult, Verdict, counted_failures
from weirwatch.pipeline.local_time import duration

_NAMED = 3  # rules that a sentence names
_WORST = (Verdict.MISSED, Verdict.LATE, Verdict.DETECTED)


@dataclass(frozen=True, slots=True)
class Summary:
    """All plays of one failure.

    Attributes:
        failure, title: of the catalogue.
        verdict: the worst of all plays.
        sentence: in plain words, with the cure when something was missed or late.
    """

    failure: str
    title: str
    runs: tuple[RunResult, ...]
    verdict: Verdict
    sentence: str

    def count(self, verdict: Verdict) -> int:
        """Return how many plays ended so."""
        return sum(run.verdict is verdict for run in self.runs)

    @property
    def worst(self) -> RunResult:
        """The play that says most: the worst verdict, then the smallest margin."""
        return min(self.runs, key=_badness)

    def detect_s(self, share: float) -> float | None:
        """Return the time to detect that this share of all plays kept within; None: missed."""
        times = [float("inf") if r.detected_s is None else r.detected_s for r in self.runs]
        found = percentile(times, share)
        return None if found == float("inf") else found

    def harm_s(self) -> float | None:
        """Return the soonest harm, or None."""
        return min((r.harm_s for r in self.runs if r.harm_s is not None), default=None)

    def margin_s(self) -> float | None:
        """Return the smallest margin, or None."""
        return min((r.margin_s for r in self.runs if r.margin_s is not None), default=None)

    def names(self, which: str) -> tuple[str, ...]:
        """Return the rules of `other_alarms` or `false_alarms` over all plays."""
        return tuple(dict.fromkeys(name for run in self.runs for name in getattr(run, which)))

    def as_json(self) -> dict[str, Any]:
        """Return it for machines; times in seconds."""
        return {
            "failure": self.failure,
            "title": self.title,
            "verdict": self.verdict.value,
            "sentence": self.sentence,
            "detected": self.count(Verdict.DETECTED),
            "late": self.count(Verdict.LATE),
            "missed": self.count(Verdict.MISSED),
            "time_to_detect_s": {
                "median": self.detect_s(0.5),
                "p95": self.detect_s(0.95),
                "longest": self.detect_s(1.0),
            },
            "soonest_harm_s": self.harm_s(),
            "smallest_margin_s": self.margin_s(),
            "runs": [run_json(run) for run in self.runs],
        }


def summarise(
    failure: str,
    title: str,
    runs: Sequence[RunResult],
    rules: Mapping[str, Rule],
    unfed: Collection[str] = (),
) -> Summary:
    """Return what all plays of one failure say together; at least one.

    Args:
        failure: its id in the catalogue.
        title: of the catalogue.
        runs: its plays.
        rules: by id.
        unfed: channels that no play feeds, so that no rule on them can tell anything.
    """
    ordered = tuple(sorted(runs, key=lambda run: run.run))
    worst = min(ordered, key=_badness)
    sentence = _sentence(failure, worst, ordered, rules, unfed)
    return Summary(failure, title, ordered, worst.verdict, sentence)


def percentile(values: Sequence[float], share: float) -> float:
    """Return the smallest value that at least this share of the values does not exceed."""
    ordered = sorted(values)
    return ordered[max(0, ceil(share * len(ordered)) - 1)]


def run_json(run: RunResult) -> dict[str, Any]:
    """Return one play for machines; times in seconds."""
    return {
        "run": run.run,
        "played": run.says,
        "verdict": run.verdict.value,
        "detected_s": run.detected_s,
        "harm_s": run.harm_s,
        "margin_s": run.margin_s,
        "harm": run.harm,
        "harm_source": run.harm_source,
        "first_alarm": run.first_alarm,
        "other_alarms": list(run.other_alarms),
        "false_alarms": list(run.false_alarms),
        "notices": run.notices,
        "played_s": run.played_s,
        "quarantined": run.quarantined,
        "raised_not_announced": list(run.held),
    }


def span(seconds: float | None) -> str:
    """Return seconds as people say them; a dash for none."""
    return "–" if seconds is None else duration(round(seconds * SECOND))


def _badness(run: RunResult) -> tuple[int, float]:
    margin = run.margin_s
    return _WORST.index(run.verdict), float("inf") if margin is None else margin


def _sentence(
    failure: str,
    worst: RunResult,
    runs: Sequence[RunResult],
    rules: Mapping[str, Rule],
    unfed: Collection[str],
) -> str:
    how_often = f" in {sum(r.verdict is worst.verdict for r in runs)} of {len(runs)} plays"
    often = how_often if len(runs) > 1 and worst.verdict is not Verdict.DETECTED else ""
    said = worst.says[0].upper() + worst.says[1:]
    cure = rule_cure(failure, rules, unfed, stood=worst.false_alarms, held=worst.held)
    if worst.verdict is Verdict.MISSED:
        harm = f"harm begins after {span(worst.harm_s)}" if worst.harm else "no harm until then"
        within = f"within {span(worst.played_s)}{often}"
        if worst.other_alarms:
            others = ", ".join(f"“{rules[rule].title}”" for rule in worst.other_alarms[:_NAMED])
            more = ", …" if len(worst.other_alarms) > _NAMED else ""
            return f"{said}: no rule for it sounds {within}, only {others}{more}; {harm}. {cure}"
        return f"{said}: nobody is told {within}; {harm}. {cure}"
    title = rules[worst.first_alarm].title
    if worst.verdict is Verdict.LATE:
        late_s = (worst.detected_s or 0.0) - (worst.harm_s or 0.0)
        return (
            f"{said}: “{title}” sounds {span(late_s)} after harm has begun "
            f"({worst.harm}){often}. {cure}"
        )
    told = f"{said}: told after {span(worst.detected_s)} by “{title}”"
    if worst.margin_s is None:
        return f"{told}; no harm within {span(worst.played_s)}."
    return f"{told}, {span(worst.margin_s)} before harm ({worst.harm})."


def rule_cure(
    failure: str,
    rules: Mapping[str, Rule],
    unfed: Collection[str] = (),
    *,
    stood: Collection[str] = (),
    held: Collection[str] = (),
) -> str:
    """Return what to do about a failure that is missed or told late: add a rule, or mend it.

    Args:
        failure: that was played.
        rules: by id.
        unfed: channels that no play feeds.
        stood: rules that sounded before it, or without it.
        held: rules that were raised and not announced.
    """
    counted = counted_failures(failure)
    advice = f" Usual: {ADVICE[failure]}" if failure in ADVICE else ""
    known = [rule for rule in rules.values() if rule.failure in counted]
    if not known:
        cure = f'add one with from_catalogue = "{failure}"'
        return f'No rule has failure = "{failure}": {cure}.{advice}'
    fed = [rule for rule in known if rule.channel not in unfed]
    if not fed:
        names = ", ".join(rule.id for rule in known[:_NAMED])
        watched = ", ".join(dict.fromkeys(str(rule.channel) for rule in known[:_NAMED]))
        return (
            f"There is a rule for it ({names}), which this drill cannot prove: {watched} has no "
            "simulated probe. docs/drill.md says by which names one is found."
        )
    if early := [rule for rule in fed if rule.id in stood]:
        titles = ", ".join(f"“{rule.title}”" for rule in early[:_NAMED])
        return (
            f"{titles} sounds without it too: its limit lies within ordinary life, or on the wrong "
            f"side.{advice}"
        )
    if quiet := [rule for rule in fed if rule.id in held and rule.suppressed_by]:
        causes = ", ".join(quiet[0].suppressed_by)
        return f"“{quiet[0].title}” was raised and kept quiet by its suppressed_by: {causes}."
    names = ", ".join(rule.id for rule in fed[:_NAMED])
    also = " See whether its while holds then." if any(rule.while_ for rule in fed) else ""
    return (
        f"There is a rule for it ({names}): bring its limit nearer to the usual value, or shorten "
        f"its delay.{also}{advice}"
    )
