"""How a scenario's play reads in a terminal and as JSON."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from weirwatch.cli.desk import print_json
from weirwatch.cli.drill_view import short
from weirwatch.cli.scenario_recording import Recorded
from weirwatch.cli.words import console, plain_table
from weirwatch.config.scenario_config import ScenarioSettings
from weirwatch.domain.instant import SECOND, Micros, to_rfc3339
from weirwatch.domain.rule import Rule
from weirwatch.pipeline.drill_summary import rule_cure, span
from weirwatch.pipeline.local_time import local_time
from weirwatch.pipeline.timeline import FaultResult, Finding, Sounded, TimelineResult

_MISREADS = ("node-clock-wrong",)  # a node with a wrong clock is put into quarantine: so it should
_LISTED = 20


@dataclass(frozen=True, slots=True)
class Told:
    """Everything that is to be shown of a scenario's play.

    Attributes:
        tape: what was recorded; None: nothing.
        rules: by id.
        unfed: channels that nothing feeds.
    """

    scenario: ScenarioSettings
    result: TimelineResult
    tape: Recorded | None
    rules: Mapping[str, Rule]
    unfed: tuple[str, ...]

    @property
    def exit_code(self) -> int:
        """1 when a fault did not end as it should, or what was sent could not be used; else 0."""
        misread = any(entry.fault in _MISREADS for entry in self.scenario.entries)
        return 0 if self.result.passed and (misread or not self.result.quarantined) else 1

    def at_s(self, time: Micros) -> float:
        """Return seconds from the start."""
        return (time - self.scenario.start) / SECOND


def scenario_json(told: Told) -> None:
    """Print everything for machines."""
    scenario, result = told.scenario, told.result
    print_json(
        {
            "scenario": scenario.title,
            "starts": to_rfc3339(scenario.start),
            "lasts_s": scenario.lasts_s,
            "seed": scenario.seed,
            "recording": None if told.tape is None else _tape_json(told.tape),
            "faults": [_fault_json(told, found) for found in result.faults],
            "acts": [
                {"entry": number, "at_s": entry.at_s, "act": entry.act}
                for number, entry in enumerate(scenario.entries, 1)
                if entry.act
            ],
            "other_alarms": [_sounded_json(told, a) for a in result.sounded if not a.false],
            "false_alarms": [_sounded_json(told, a) for a in result.sounded if a.false],
            "first_harm": None
            if result.harm is None
            else {
                "at_s": told.at_s(result.harm.at),
                "harm": result.harm.says,
                "harm_source": result.harm.source,
            },
            "notices": result.notices,
            "readings": result.readings,
            "quarantined": result.quarantined,
            "channels_without_probe": list(told.unfed),
            "passed": told.exit_code == 0,
        }
    )


def _tape_json(tape: Recorded) -> dict[str, Any]:
    return {
        "readings": tape.tracks.readings,
        "channels": list(tape.tracks.times),
        "simulated": list(tape.simulated),
        "absent": list(tape.absent),
        "left_out": dict(tape.tracks.left_out),
    }


def _fault_json(told: Told, found: FaultResult) -> dict[str, Any]:
    fault, entry = found.fault, told.scenario.entries[found.fault.number - 1]
    return {
        "entry": fault.number,
        "at_s": entry.at_s,
        "fault": fault.fault,
        "played": fault.says,
        "targets": list(fault.targets),
        "severity": entry.severity,
        "onset_s": entry.onset_s,
        "repaired_after_s": entry.repaired_after_s,
        "expect": fault.expect,
        "verdict": found.finding.value,
        "sentence": _sentence(found, told),
        "detected_s": found.detected_s,
        "harm_s": found.harm_s,
        "margin_s": found.margin_s,
        "harm": found.harm,
        "harm_source": found.harm_source,
        "first_alarm": found.first_alarm,
    }


def _sounded_json(told: Told, alarm: Sounded) -> dict[str, Any]:
    return {
        "time": to_rfc3339(alarm.time),
        "at_s": told.at_s(alarm.time),
        "rule": alarm.rule,
        "title": told.rules[alarm.rule].title,
        "message": alarm.message,
        "during": list(alarm.during),
    }


def show_scenario(told: Told, zone: ZoneInfo) -> None:
    """Print the table, a sentence for each fault, and what else sounded."""
    out = console()
    scenario, result = told.scenario, told.result
    starts = local_time(scenario.start, zone)
    out.print(f"{scenario.title}: from {starts}, {span(scenario.lasts_s)}, seed {scenario.seed}.\n")
    if told.tape is not None:
        _show_tape(told.tape)
    if scenario.entries:
        out.print(_table(scenario, result))
        out.print()
    for found in result.faults:
        verdict = found.finding.value.upper()
        out.print(f"{found.fault.number}  {verdict}  {_sentence(found, told)}\n")
    _show_sounded(told)
    if result.faults:
        passed = sum(found.finding.passes for found in result.faults)
        out.print(f"Faults as expected: {passed} of {len(result.faults)}. ", end="")
    out.print(
        f"Other alarms: {len(result.sounded)}. Notices: {result.notices}. "
        f"Readings: {result.readings}."
    )
    if result.quarantined:
        out.print(f"{result.quarantined} payloads could not be used.")
    if told.tape is None and told.unfed:
        out.print(f"\nChannels without a simulated probe: {', '.join(told.unfed)}")


def _show_tape(tape: Recorded) -> None:
    out, tracks = console(), tape.tracks
    out.print(f"Recorded: {tracks.readings} readings of {len(tracks.times)} channels.")
    if tape.simulated:
        out.print(f"Simulated: {', '.join(tape.simulated)}")
    if tape.absent:
        out.print(f"Absent, and not expected: {', '.join(tape.absent)}")
    for channel, count in tracks.left_out.items():
        out.print(f"Left out: {count} of {channel}, which is derived or of another system")
    out.print()


def _table(scenario: ScenarioSettings, result: TimelineResult) -> Any:
    table = plain_table("", "At", "Fault or act", "Told after", "Harm", "Margin", "First alarm")
    table.padding = (0, 1, 0, 0)
    results = {found.fault.number: found for found in result.faults}
    for number, entry in enumerate(scenario.entries, 1):
        row = [str(number), short(entry.at_s), entry.fault or entry.act]
        if number in results:
            found = results[number]
            table.add_row(*row, *_told(found), style="" if found.finding.passes else "bold")
        else:
            table.add_row(*row, style="dim")
    return table


def _told(found: FaultResult) -> tuple[str, ...]:
    finding = found.finding
    told = finding.value if finding.passes else finding.value.upper()
    detected = finding is Finding.DETECTED
    return (
        short(found.detected_s) if detected else told,
        short(found.harm_s),
        short(found.margin_s) if detected else "–",
        found.first_alarm or "–",
    )


def _show_sounded(told: Told) -> None:
    out, sounded = console(), told.result.sounded
    for alarm in sounded[:_LISTED]:
        at_s = told.at_s(alarm.time)
        when = f"after {span(at_s)}" if at_s >= 0 else "before the start"
        during = ", ".join(str(number) for number in alarm.during)
        said = f" (during {during})" if during else ""
        kind = "False alarm" if alarm.false else "Also"
        out.print(f"{kind} {when}: {alarm.rule}: {told.rules[alarm.rule].title}{said}")
    if len(sounded) > _LISTED:
        out.print(f"… and {len(sounded) - _LISTED} more; --json has all.")
    if sounded:
        out.print()


def _sentence(found: FaultResult, told_of: Told) -> str:
    fault, rules = found.fault, told_of.rules
    said = fault.says[0].upper() + fault.says[1:]
    title = rules[found.first_alarm].title if found.first_alarm else ""
    harm = f"harm begins after {span(found.harm_s)} ({found.harm})" if found.harm else "no harm"
    told = f"{said}: told after {span(found.detected_s)} by “{title}”"
    failure = fault.fault if fault.fault in fault.told_by else min(fault.told_by)
    match found.finding:
        case Finding.MISSED:
            others = any(fault.number in alarm.during for alarm in told_of.result.sounded)
            none = "no rule for it sounds" if others else "nobody is told"
            nobody = f"{said}: {none} within {span(found.judged_s)}; {harm}."
            stood = {alarm.rule for alarm in told_of.result.sounded if alarm.false}
            return f"{nobody} {rule_cure(failure, rules, told_of.unfed, stood=stood)}"
        case Finding.LATE:
            late_s = (found.detected_s or 0.0) - (found.harm_s or 0.0)
            late = f"{said}: “{title}” sounds {span(late_s)} after harm has begun ({found.harm})."
            return f"{late} {rule_cure(failure, rules, told_of.unfed)}"
        case Finding.STOOD:
            return f"{said}: “{title}” had been told before and still stood; {harm}."
        case Finding.QUIET:
            return f"{said}: nobody is told within {span(found.judged_s)}; {harm}."
        case Finding.UNWANTED:
            return f"{told}, which should have stayed quiet."
        case Finding.DETECTED:
            if found.margin_s is None:
                return f"{told}; no harm within {span(found.judged_s)}."
            return f"{told}, {span(found.margin_s)} before harm ({found.harm})."
