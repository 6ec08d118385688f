"""`report upkeep`: which jobs are due, which probes, and what runs out before more can be there.

Out of the keeper's log and the history; plain JSON data, for API, page and command line alike.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from weirwatch.domain.instant import Micros, to_rfc3339
from weirwatch.domain.keeper_log import LogEntry
from weirwatch.pipeline.calibration_due import calibrations_json
from weirwatch.pipeline.supplies import (
    DAY,
    HOUR,
    LOOK_BACK,
    Stock,
    stock_of_channel,
    stock_of_log,
)
from weirwatch.pipeline.water_report import current_entries
from weirwatch.ports import Archive
from weirwatch.settings import JobSettings, Settings, SupplySettings

Json = dict[str, Any]


def upkeep_json(archive: Archive, settings: Settings, system: str, now: Micros) -> Json:
    """Return jobs, calibrations and supplies of one system, and how many of them wait.

    `state` of a job: never-done, overdue, due-soon or done. `state` of a supply: empty,
    order-now, enough or not-known. What waits: all but done, enough and not-known.
    """
    entries = current_entries(archive, system, now + 1)
    jobs = [_job(job, entries, now) for job in settings.jobs if job.system == system]
    supplies = [
        _supply(supply, _stock(archive, supply, entries, now), now)
        for supply in settings.supplies
        if supply.system == system
    ]
    calibrations = calibrations_json(settings, entries, system, now)
    return {
        "system": system,
        "time": to_rfc3339(now),
        "jobs": jobs,
        "calibrations": calibrations,
        "supplies": supplies,
        "waiting": sum(job["state"] != "done" for job in jobs)
        + sum(bool(probe["due"]) for probe in calibrations)
        + sum(supply["state"] in ("empty", "order-now") for supply in supplies),
    }


def _job(job: JobSettings, entries: Sequence[LogEntry], now: Micros) -> Json:
    done = [e for e in entries if e.kind == "maintenance" and e.subject == job.id]
    last = max(done, key=lambda entry: (entry.time, entry.number), default=None)
    due = None if last is None else last.time + round(job.every_days * DAY)
    return {
        "id": job.id,
        "title": job.title,
        "every_days": job.every_days,
        "last_done": None if last is None else to_rfc3339(last.time),
        "last_by": None if last is None else last.who or None,
        "last_entry": None if last is None else last.number,
        "due_at": None if due is None else to_rfc3339(due),
        "days_left": None if due is None else (due - now) / DAY,
        "state": _job_state(due, now, job.remind_days),
        "where": job.where,
        "instructions": job.instructions,
    }


def _job_state(due: Micros | None, now: Micros, remind_days: float) -> str:
    if due is None:
        return "never-done"
    if now >= due:
        return "overdue"
    return "due-soon" if now >= due - round(remind_days * DAY) else "done"


def _stock(
    archive: Archive, supply: SupplySettings, entries: Sequence[LogEntry], now: Micros
) -> Stock:
    if not supply.channel:
        return stock_of_log(supply, entries, now)
    begin = (now - LOOK_BACK) // HOUR * HOUR
    points = -(-(now - begin) // HOUR)
    try:
        found = archive.series(supply.channel, begin, begin + points * HOUR, points)
    except KeyError:  # configured, and not a reading yet
        return Stock()
    return stock_of_channel(supply, {bucket.start: bucket.mean for bucket in found}, now)


def _supply(supply: SupplySettings, stock: Stock, now: Micros) -> Json:
    days, least, most = stock.days
    return {
        "id": supply.id,
        "title": supply.title,
        "unit": supply.unit,
        "size": supply.size,
        "left": stock.left,
        "left_error": stock.left_error,
        "per_day": stock.per_day,
        "per_day_error": stock.per_day_error,
        "based_on": stock.based_on,
        "as_of": None if stock.as_of is None else to_rfc3339(stock.as_of),
        "days_left": days,
        "days_at_least": least,
        "days_at_most": most,
        "empty_at": None if days is None or days > 36_500 else to_rfc3339(now + round(days * DAY)),
        "lead_days": supply.lead_days,
        "state": _supply_state(supply, stock, least),
        "where": supply.where,
    }


def _supply_state(supply: SupplySettings, stock: Stock, least: float | None) -> str:
    """Nobody ever regretted an order that was a day early: the earliest day counts."""
    if stock.left is None:
        return "not-known"
    if stock.left <= 0.0:
        return "empty"
    if least is None:
        return "not-known" if stock.per_day is None else "enough"
    return "order-now" if least <= supply.lead_days else "enough"


def waiting_lines(report: Mapping[str, Any]) -> list[str]:
    """Return one sentence for each thing that waits, for people."""
    lines = [_job_line(job) for job in report["jobs"] if job["state"] != "done"]
    lines += [
        f"Calibrate {probe['title']} ({probe['channel']}): "
        + ("never done" if probe["last_at"] is None else f"due since {probe['due_at'][:10]}")
        for probe in report["calibrations"]
        if probe["due"]
    ]
    lines += [
        supply_line(supply)
        for supply in report["supplies"]
        if supply["state"] in ("empty", "order-now")
    ]
    return lines


def _job_line(job: Mapping[str, Any]) -> str:
    match job["state"]:
        case "never-done":
            when = "never done"
        case "overdue":
            when = f"overdue since {job['due_at'][:10]}"
        case _:
            when = f"due on {job['due_at'][:10]}"
    return f"{job['title']}: {when}"


def supply_line(supply: Mapping[str, Any]) -> str:
    """Return how a supply stands as one sentence."""
    title, unit = supply["title"], supply["unit"]
    if supply["left"] is None:
        return f"{title}: nothing known; count it once"
    text = f"{title}: {supply['left']:.3g} {unit} left"
    if supply["state"] == "empty":
        return f"{text}: empty"
    if supply["days_left"] is not None:
        text += f", {supply['days_left']:.0f} days{_interval(supply)} at"
        text += f" {supply['per_day']:.3g} ± {supply['per_day_error']:.2g} {unit} a day"
    if supply["state"] == "order-now":
        text += f"; more takes {supply['lead_days']:g} days: order now"
    return text


def _interval(supply: Mapping[str, Any]) -> str:
    least, most = supply["days_at_least"], supply["days_at_most"]
    if least is None:
        return ""
    return f" ({least:.0f} to {most:.0f})" if most is not None else f" (at least {least:.0f})"
