"""How a drill reads in a terminal and as JSON."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any
from zoneinfo import ZoneInfo

from weirwatch.cli.desk import print_json
from weirwatch.cli.drill_plant import SimulatedPlant
from weirwatch.cli.words import console, plain_table
from weirwatch.domain.errors import ConfigError, UnknownFailure
from weirwatch.domain.failures import Catalogue
from weirwatch.domain.instant import to_rfc3339
from weirwatch.domain.rule import Rule
from weirwatch.domain.wording import counted
from weirwatch.pipeline.drill_result import NormalResult, RunResult, Verdict
from weirwatch.pipeline.drill_summary import Summary, summarise
from weirwatch.pipeline.local_time import local_time
from weirwatch.settings import Settings

_ELSEWHERE = "not of the plant: the service's own tests play it"
_STYLE = {Verdict.DETECTED: "", Verdict.LATE: "bold", Verdict.MISSED: "bold reverse"}
_FEW = 3  # failures, up to which each gets its sentence although all is well
_WIDE = 110  # columns from which other alarms are named in the table


@dataclass(frozen=True, slots=True)
class Bill:
    """What is on the bill: failures that are played, and those that are not, with the reason."""

    played: tuple[str, ...]
    not_played: Mapping[str, str]
    unfed: tuple[str, ...]
    titles: Mapping[str, str]
    rules: Mapping[str, Rule]

    @classmethod
    def of(cls, settings: Settings, catalogue: Catalogue, names: Sequence[str]) -> "Bill":
        """Return the bill for these names: failures, and the sets `all`, `day` and `drift`.

        Raises:
            UnknownFailure: a name is not in the catalogue.
            ConfigError: there is no plant, it cannot show one that was asked for by name, or
                `normal` stands beside others.
        """
        if "normal" in names:
            raise ConfigError("drill normal: give it alone; failures are played in a drill apart")
        plant = SimulatedPlant(settings)
        plant.require_probes()
        can, cannot = plant.can_play(), plant.cannot_play()
        held = {"all": can, **plant.sets()}
        sets = {name: [f for f in catalogue.failures if f in held[name]] for name in held}
        for name in names:
            if name not in sets and name not in catalogue.failures:
                near = get_close_matches(name, catalogue.failures, n=1)
                hint = f": did you mean {near[0]!r}?" if near else ""
                raise UnknownFailure(f"failure {name!r} is not in the catalogue{hint}")
        reasons = {f: cannot.get(f, _ELSEWHERE) for f in catalogue.failures if f not in can}
        played = tuple(dict.fromkeys(f for name in names for f in sets.get(name, [name])))
        if "all" in names:
            played = tuple(sets["all"])
        else:
            hidden = [f"{name}: cannot be played: {reasons[name]}" for name in played
                      if name in reasons]  # fmt: skip
            if hidden:
                raise ConfigError(hidden)
            reasons = {}
        return cls(
            played,
            reasons,
            tuple(plant.unfed()),
            {failure.id: failure.title for failure in catalogue.failures.values()},
            {rule.id: rule for rule in settings.rules},
        )

    def summaries(self, results: Sequence[object]) -> list[Summary]:
        """Return one summary for each failure, from results in the order of the plays."""
        runs = [result for result in results if isinstance(result, RunResult)]
        each = len(runs) // max(1, len(self.played))
        return [
            summarise(f, self.titles[f], runs[n * each : (n + 1) * each], self.rules, self.unfed)
            for n, f in enumerate(self.played)
        ]

    def exit_code(self, summaries: Sequence[Summary]) -> int:
        """Return 1 if something was missed, told too late, or could not be read."""
        bad = any(summary.verdict is not Verdict.DETECTED for summary in summaries)
        broken = any(run.quarantined for summary in summaries for run in summary.runs)
        return 1 if bad or broken else 0


def failures_json(bill: Bill, summaries: Sequence[Summary]) -> None:
    """Print everything for machines."""
    print_json(
        {
            "failures": [summary.as_json() for summary in summaries],
            "not_played": dict(bill.not_played),
            "channels_without_probe": list(bill.unfed),
            "passed": bill.exit_code(summaries) == 0,
        }
    )


def show_failures(bill: Bill, summaries: Sequence[Summary]) -> None:
    """Print the table, a sentence for each failure, and what was not played."""
    out = console()
    wide = out.width >= _WIDE
    headers = ["Failure", "Told after", "Harm", "Margin"]
    headers += ["Other alarms", "False alarms", "Notices"] if wide else ["+/F/N"]
    table = plain_table(*headers, "First alarm")
    table.columns[0].no_wrap = True
    table.padding = (0, 1, 0, 0)
    for summary in summaries:
        table.add_row(*_row(summary, wide), style=_STYLE[summary.verdict])
    out.print(table)
    if not wide:
        out.print("+ other alarms, F false alarms without the failure, N notices", style="dim")
    out.print()
    for summary in summaries:
        if summary.verdict is not Verdict.DETECTED or len(summaries) <= _FEW:
            out.print(f"{summary.verdict.value.upper()}  {summary.sentence}\n")
    _say_rest(bill, summaries)


def _row(summary: Summary, wide: bool) -> list[str]:
    worst = summary.worst
    others, false = summary.names("other_alarms"), summary.names("false_alarms")
    counts = [", ".join(others) or "–", ", ".join(false) or "–", str(worst.notices)]
    if not wide:
        counts = [f"{len(others)}/{len(false)}/{worst.notices}"]
    return [
        summary.failure,
        _told(summary),
        short(summary.harm_s()),
        short(summary.margin_s()) if summary.verdict is Verdict.DETECTED else "–",
        *counts,
        worst.first_alarm or "–",
    ]


def _told(summary: Summary) -> str:
    runs = len(summary.runs)
    if summary.verdict is Verdict.DETECTED:
        return short(summary.detect_s(0.5))
    said = summary.verdict.value.upper()
    return said if runs == 1 else f"{said} {summary.count(summary.verdict)}/{runs}"


def short(seconds: float | None) -> str:
    """Return seconds in their largest unit: 45 s, 1.3 min, 2.7 h, 5.2 d; a dash for none."""
    if seconds is None:
        return "–"
    for size, unit in ((86_400.0, "d"), (3_600.0, "h"), (60.0, "min")):
        if seconds >= size:
            return f"{seconds / size:.1f} {unit}"
    return f"{seconds:.0f} s"


def _say_rest(bill: Bill, summaries: Sequence[Summary]) -> None:
    out = console()
    counts = {v: sum(s.verdict is v for s in summaries) for v in Verdict}
    told = ", ".join(f"{count} {verdict.value}" for verdict, count in counts.items() if count)
    runs = sum(len(summary.runs) for summary in summaries)
    out.print(f"{told} of {counted(len(summaries), 'failure')}, {counted(runs, 'play')}.")
    if len(summaries) and len(summaries[0].runs) > 1:
        out.print("Told after: median of all plays. Harm and margin: the smallest.", style="dim")
    broken = sum(run.quarantined for summary in summaries for run in summary.runs)
    if broken:
        out.print(f"{broken} payloads could not be read: channels and plant do not fit together.")
    if bill.not_played:
        out.print(f"\nNot played ({len(bill.not_played)}):")
        for failure, why in bill.not_played.items():
            out.print(f"  {failure}: {why}", style="dim")
    if bill.unfed:
        out.print(f"\nChannels without a simulated probe: {', '.join(bill.unfed)}")


def normal_json(results: Sequence[object]) -> int:
    """Print ordinary life for machines; return the exit code."""
    runs = _normal_runs(results)
    code = _normal_code(runs)
    shown: list[dict[str, Any]] = [
        {
            "run": run.run,
            "played": run.says,
            "days": run.days,
            "readings": run.readings,
            "notices": run.notices,
            "quarantined": run.quarantined,
            "false_alarms": [
                {
                    "time": to_rfc3339(alarm.time),
                    "rule": alarm.rule,
                    "title": alarm.title,
                    "message": alarm.message,
                }
                for alarm in run.false_alarms
            ],
        }
        for run in runs
    ]
    print_json({"normal": shown, "passed": code == 0})
    return code


def show_normal(results: Sequence[object], zone: ZoneInfo) -> int:
    """Print what sounded in ordinary life; return the exit code."""
    out = console()
    runs = _normal_runs(results)
    for run in runs:
        for alarm in run.false_alarms:
            when = local_time(alarm.time, zone)
            out.print(f"{when}  {alarm.rule}: {alarm.title}; {alarm.message}", soft_wrap=True)
        count = len(run.false_alarms)
        said = "no alarm" if not count else f"{count} false alarm{'s' if count > 1 else ''}"
        out.print(f"Run {run.run}: {run.says}: {said}, {run.readings} readings.")
        if run.quarantined:
            out.print(f"{run.quarantined} payloads could not be read.")
    return _normal_code(runs)


def _normal_runs(results: Sequence[object]) -> list[NormalResult]:
    return [result for result in results if isinstance(result, NormalResult)]


def _normal_code(runs: Sequence[NormalResult]) -> int:
    return 1 if any(run.false_alarms or run.quarantined for run in runs) else 0
