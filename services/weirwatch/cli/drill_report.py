"""The drill's report: one HTML file with plots, no script, nothing fetched."""

from collections.abc import Iterator, Sequence
from html import escape
from pathlib import Path

from weirwatch.cli.drill_plot import plot
from weirwatch.cli.drill_view import Bill
from weirwatch.domain.rule import Absolute, Rule
from weirwatch.pipeline.drill_result import RunResult, Verdict
from weirwatch.pipeline.drill_summary import Summary, span
from weirwatch.pipeline.html_report import html_document
from weirwatch.settings import Settings


def write_report(path: Path, settings: Settings, bill: Bill, summaries: Sequence[Summary]) -> None:
    """Write the report.

    Raises:
        OSError: the file cannot be written.
    """
    parts = [
        f"<h1>Drill of {escape(settings.source.name)}</h1>",
        "<p>Failures played on a simulation of this plant, with its own rules, faster than real "
        "time. Nothing here has happened. Weirwatch watches and warns; it is no substitute for "
        "protective devices.</p>",
        *_table(summaries),
        *(line for summary in summaries for line in _chapter(summary, settings, bill)),
        *_not_played(bill),
    ]
    path.write_text(html_document(f"Drill: {settings.source.name}", parts), encoding="utf-8")


def _table(summaries: Sequence[Summary]) -> Iterator[str]:
    yield "<table><tr><th>Failure<th>Verdict<th>Told after<th>Harm after<th>Margin<th>First alarm"
    for summary in summaries:
        worst = summary.worst
        told = summary.verdict is Verdict.DETECTED
        bad = "" if told else ' class="bad"'
        yield (
            f'<tr><td><a href="#{summary.failure}">{escape(summary.title)}</a>'
            f"<td{bad}>{summary.verdict.value}<td>{span(summary.detect_s(0.5))}"
            f"<td>{span(summary.harm_s())}<td>{span(summary.margin_s() if told else None)}"
            f"<td>{escape(worst.first_alarm or '–')}"
        )
    yield "</table>"


def _chapter(summary: Summary, settings: Settings, bill: Bill) -> Iterator[str]:
    yield f'<h2 id="{summary.failure}">{escape(summary.title)}</h2>'
    yield f"<p>{escape(summary.sentence)}</p>"
    run = next((run for run in summary.runs if run.curves), summary.runs[0])
    if run.harm:
        yield f'<p class="small">Threshold of harm: {escape(run.harm_source)}.</p>'
    titles = {channel.id: channel for channel in settings.channels}
    for channel, points in _shown(run, bill):
        known = titles[channel]
        limit = _limit(run, channel, bill)
        label = f"{known.label} ({known.unit})" if known.unit else known.label
        yield plot(label, points, limit, run.detected_s, run.harm_s)
    others = ", ".join(summary.names("other_alarms")) or "none"
    false = ", ".join(summary.names("false_alarms")) or "none"
    yield (
        f'<p class="small">Other alarms: {escape(others)}. False alarms without the failure: '
        f"{escape(false)}. Notices: {run.notices}.</p>"
    )


def _shown(run: RunResult, bill: Bill) -> Iterator[tuple[str, Sequence[tuple[float, float]]]]:
    """Yield the curve of the rule that told it, else of every rule that should have, at most 2."""
    told = bill.rules.get(run.first_alarm)
    if told is not None and told.channel is not None and told.channel in run.curves:
        yield told.channel, run.curves[told.channel]
        return
    yield from list(run.curves.items())[:2]


def _limit(run: RunResult, channel: str, bill: Bill) -> float | None:
    told = bill.rules.get(run.first_alarm)
    rules: list[Rule] = [told] if told is not None else list(bill.rules.values())
    for rule in rules:
        if rule.channel == channel and isinstance(rule.condition, Absolute):
            return rule.condition.limit
    return None


def _not_played(bill: Bill) -> Iterator[str]:
    if bill.not_played:
        yield "<h2>Not played</h2><table>"
        for failure, why in bill.not_played.items():
            yield f"<tr><td>{escape(bill.titles[failure])}<td>{escape(why)}"
        yield "</table>"
