"""Reports in a terminal."""

from collections.abc import Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

from rich.console import Console

from weirwatch.cli.words import console, plain_table, time_text
from weirwatch.domain.instant import SECOND
from weirwatch.domain.wording import counted
from weirwatch.pipeline.local_time import duration

Row = Mapping[str, Any]
_WORST = 10  # rows of a list that are shown; JSON has them all


def print_alarm_report(report: Row, zone: ZoneInfo) -> None:
    """Print the alarm performance report."""
    out = console()
    span = f"{time_text(report['from'], zone)} to {time_text(report['to'], zone)}"
    out.print(f"{counted(report['annunciations'], 'annunciation')} in {report['days']:.3g} days")
    out.print(span)
    if report["days"] < 30:
        out.print("Less than 30 days say little about what is usual.")
    out.print()
    _metrics(out, report["metrics"])
    _priorities(out, report["priorities"])
    _list(
        out, "Loudest", report["bad_actors"], lambda r: f"{r['annunciations']} ({r['share']:.0%})"
    )
    _list(out, "Chattering", report["chattering"], lambda r: counted(r["bursts"], "time"))
    _list(out, "Fleeting", report["fleeting"], lambda r: counted(r["times"], "time"))
    _list(out, "Stale", report["stale"], lambda r: f"{r['hours']:.0f} h")
    _list(out, "Silenced now", report["silenced"], lambda r: _service(r, zone))
    for flood in report["alarm_floods"][:_WORST]:
        ended = "not ended" if flood["closed_at"] is None else time_text(flood["closed_at"], zone)
        out.print(
            f"Alarm flood {time_text(flood['opened_at'], zone)} to {ended}: "
            f"{counted(flood['annunciations'], 'annunciation')}, first {flood['first']}"
        )
    for night in report["nights"]:
        woken, nights = counted(night["woken"], "time"), counted(night["nights"], "night")
        out.print(f"Night {night['month']}: woken {woken}, {nights}")
    tested = report["notice_test"]
    at = tested["last_full_at"]
    said = "never" if at is None else time_text(at, zone)
    due = f" Due: {tested['reminder']}." if tested["due"] else ""
    out.print(f"Last full test of notices: {said}.{due}")
    out.print(
        "\nTargets and limits: ANSI/ISA-18.2 clause 16 and EEMUA 191, from memory; nights: our own."
    )


def _metrics(out: Console, metrics: Sequence[Row]) -> None:
    header = ("Figure", "Value", "Target", "Limit", "")
    table = plain_table(*header, numbers=header[1:4])
    for metric in metrics:
        values = [_number(metric[key], metric["unit"]) for key in ("value", "target", "limit")]
        table.add_row(metric["title"], *values, {False: "missed"}.get(metric["met"], ""))
    out.print(table)


def _priorities(out: Console, priorities: Sequence[Row]) -> None:
    header = ("Priority", "Configured", "Share", "Target", "Annunciated", "Share ")
    table = plain_table(*header, numbers=header[1:])
    for row in priorities:
        table.add_row(
            row["priority"],
            str(row["configured"]),
            f"{row['configured_share']:.0%}",
            f"{row['target_share']:.0%}",
            str(row["annunciated"]),
            f"{row['annunciated_share']:.0%}",
        )
    out.print()
    out.print(table)
    out.print()


def _list(out: Console, title: str, rows: Sequence[Row], told: Any) -> None:
    if not rows:
        return
    table = plain_table(title, "Rule", "", numbers=("",))
    for row in rows[:_WORST]:
        table.add_row(row["title"], row["rule"], told(row))
    out.print(table)
    if len(rows) > _WORST:
        out.print(f"and {len(rows) - _WORST} more (--json lists them)")
    out.print()


def _service(row: Row, zone: ZoneInfo) -> str:
    state = str(row["service_state"]).replace("-", " ")
    return state if row["until"] is None else f"{state} until {time_text(row['until'], zone)}"


def _number(value: float | None, unit: str) -> str:
    if value is None:
        return ""
    if unit == "s":
        return duration(round(value * SECOND)) if value else "0"
    return f"{100 * value:.3g} %" if unit == "%" else f"{value:.3g}"
