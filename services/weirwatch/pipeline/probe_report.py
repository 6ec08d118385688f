"""`report probes`: how far each probe can be believed: calibration, tests, twin, noise, gaps."""

from collections.abc import Sequence
from typing import Any

from weirwatch.domain.instant import SECOND, Micros, to_rfc3339
from weirwatch.domain.keeper_log import LogEntry
from weirwatch.domain.quantity import converter
from weirwatch.domain.reading import Channel
from weirwatch.domain.rule import Deviation
from weirwatch.pipeline.calibrating import calibration_of
from weirwatch.pipeline.calibration_due import every_days, is_due
from weirwatch.pipeline.log_units import MEASURES
from weirwatch.pipeline.probe_signs import NOISE_SPAN, by_day, drift, drop_outs, noise
from weirwatch.pipeline.proofs import overdue, proofs_json
from weirwatch.pipeline.water_budget import DAY
from weirwatch.pipeline.water_days import hours_of
from weirwatch.pipeline.water_report import current_entries
from weirwatch.ports import Archive
from weirwatch.settings import Settings
from weirwatch.water.ph_probe import accept, ageing

Json = dict[str, Any]
_HALF_HOUR: Micros = 1800 * SECOND


def probe_report_json(
    archive: Archive, settings: Settings, system: str, start: Micros, end: Micros
) -> Json:
    """Return the report on the probes of one system; hand tests and gaps of `[start, end)`."""
    entries = current_entries(archive, system, end)
    derived = {entry.channel for entry in settings.derived}
    probes = [
        _probe(archive, settings, channel, entries, start, end)
        for channel in settings.channels
        if channel.system == system and channel.id not in derived and not channel.is_switch
    ]
    proofs = proofs_json(settings, entries, end, system)
    return {
        "system": system,
        "from": to_rfc3339(start),
        "to": to_rfc3339(end),
        "probes": probes,
        "due": [probe["channel"] for probe in probes if probe["due"]],
        "proofs": proofs,
        "proofs_due": overdue(proofs),
    }


def _probe(
    archive: Archive,
    settings: Settings,
    channel: Channel,
    entries: Sequence[LogEntry],
    start: Micros,
    end: Micros,
) -> Json:
    own = [e for e in entries if e.kind == "calibration" and e.channel == channel.id]
    own.sort(key=lambda entry: entry.time)
    tests = _against_tests(archive, channel, entries, start, end)
    twin = _against_twin(archive, settings, channel, start, end)
    of_tests, of_twin = drift(tests), drift(twin)
    return {
        "channel": channel.id,
        "title": channel.label,
        "unit": channel.unit,
        **_calibration(channel, settings, own, end),
        "tests": len(tests),
        "tests_differ": of_tests["median"],
        "tests_trend": of_tests["trend"],
        "twin_differs": of_twin["median"],
        "twin_trend": of_twin["trend"],
        "noise": noise(archive, channel.id, end),
        "noise_then": noise(archive, channel.id, _beginning(archive, channel.id, start)),
        **drop_outs(archive, channel, start, end),
    }


def _beginning(archive: Archive, channel: str, start: Micros) -> Micros:
    """Return the end of the first six hours of the span that a channel has readings of."""
    try:
        span = archive.span(channel)
    except KeyError:
        span = None
    return max(start, start if span is None else span[0]) + NOISE_SPAN


def _calibration(
    channel: Channel, settings: Settings, own: Sequence[LogEntry], now: Micros
) -> Json:
    every = every_days(channel, settings)
    due = is_due(channel, settings, own[-1].time if own else None, now)
    if not own:
        never: Json = {"calibrated_at": None, "age_days": None, "verdict": None, "reasons": []}
        figures = dict.fromkeys(("gain", "shift", "slope_percent", "offset_mv"))
        return {**never, **figures, "days_left": None, "every_days": every, "due": due}
    last = own[-1]
    age = (now - last.time) / DAY
    verdict, reasons = last.detail["verdict"], list(last.detail["reasons"])
    found = calibration_of(last.detail)
    if found is not None:
        acceptance = accept(found, max(0.0, age))
        verdict, reasons = acceptance.verdict, list(acceptance.reasons)
    return {
        "calibrated_at": to_rfc3339(last.time),
        "age_days": age,
        "verdict": verdict,
        "reasons": reasons,
        **{key: last.detail[key] for key in ("gain", "shift", "slope_percent", "offset_mv")},
        "days_left": _days_left(own, now),
        "every_days": every,
        "due": due,
    }


def _days_left(own: Sequence[LogEntry], now: Micros) -> float | None:
    """Return days until the slope is at the limit; None without three calibrations, or never."""
    slopes = {
        entry.time / DAY: float(entry.detail["slope_percent"])
        for entry in own
        if entry.detail.get("slope_percent") is not None
    }
    if len(slopes) < 3:
        return None
    days = sorted(slopes)
    try:
        left = ageing(days, [slopes[day] for day in days]).days_left
    except ValueError:
        return None
    return None if left > 3650.0 else max(0.0, left - (now / DAY - days[-1]))


def _against_tests(
    archive: Archive, channel: Channel, entries: Sequence[LogEntry], start: Micros, end: Micros
) -> list[tuple[float, float]]:
    """Return by day how much the probe lay above each hand test of its quantity, in its unit."""
    measure = MEASURES.get(channel.quantity)
    if measure is None:
        return []
    try:
        scale, offset = converter(measure.unit, channel.unit or measure.unit)
    except ValueError:
        return []
    found = []
    for entry in entries:
        if entry.kind != "test" or entry.subject != channel.quantity or entry.value is None:
            continue
        if start <= entry.time < end:
            mean = _mean(archive, channel.id, entry.time - _HALF_HOUR, entry.time + _HALF_HOUR)
            if mean is not None:
                found.append((entry.time / DAY, mean - (entry.value * scale + offset)))
    return found


def _against_twin(
    archive: Archive, settings: Settings, channel: Channel, start: Micros, end: Micros
) -> list[tuple[float, float]]:
    """Return by day the difference to the twin that a deviation rule names."""
    twins = [
        rule.condition.twin
        for rule in settings.rules
        if rule.channel == channel.id and isinstance(rule.condition, Deviation)
    ]
    twin = next((twin for twin in twins if isinstance(twin, str)), None)
    if twin is None:
        return []
    return by_day(hours_of(archive, channel.id, start, end), hours_of(archive, twin, start, end))


def _mean(archive: Archive, channel: str, start: Micros, end: Micros) -> float | None:
    try:
        found = archive.series(channel, start, end, 1)
    except KeyError:
        return None
    return found[0].mean if found else None
