"""When is a probe to be calibrated again? The file's span, else what is usual for its quantity."""

from collections.abc import Iterable, Mapping
from typing import Any

from weirwatch.domain.instant import Micros, to_rfc3339
from weirwatch.domain.keeper_log import LogEntry
from weirwatch.domain.reading import Channel
from weirwatch.pipeline.supplies import DAY
from weirwatch.settings import Settings

# Days, common practice, no source.
DUE_AFTER_DAYS = {
    "ph": 30.0,
    "ph-voltage": 30.0,
    "conductivity": 90.0,
    "oxygen": 90.0,
    "level": 365.0,
}
_ALWAYS = ("ph", "ph-voltage")  # due when never calibrated, too; other probes come calibrated


def every_days(channel: Channel, settings: Settings) -> float | None:
    """Return the days between two calibrations, or None: it is never due."""
    told = settings.calibrate_days.get(channel.id, DUE_AFTER_DAYS.get(channel.quantity))
    return told or None


def is_due(channel: Channel, settings: Settings, last: Micros | None, now: Micros) -> bool:
    """Return whether it is due; `last`: when it was calibrated, None: never."""
    every = every_days(channel, settings)
    if every is None:
        return False
    if last is None:
        return channel.quantity in _ALWAYS or channel.id in settings.calibrate_days
    return now - last > every * DAY


def calibrations_json(
    settings: Settings, entries: Iterable[LogEntry], system: str, now: Micros
) -> list[Mapping[str, Any]]:
    """Return each probe of a system that is calibrated now and then, and when it is due."""
    last: dict[str, Micros] = {}
    for entry in entries:
        if entry.kind == "calibration":
            last[entry.channel] = max(entry.time, last.get(entry.channel, entry.time))
    derived = {entry.channel for entry in settings.derived}
    found: list[Mapping[str, Any]] = []
    for channel in settings.channels:
        every = every_days(channel, settings)
        if channel.system != system or channel.id in derived or every is None:
            continue
        at = last.get(channel.id)
        due_at = None if at is None else at + round(every * DAY)
        found.append(
            {
                "channel": channel.id,
                "title": channel.label,
                "every_days": every,
                "last_at": None if at is None else to_rfc3339(at),
                "due_at": None if due_at is None else to_rfc3339(due_at),
                "due": is_due(channel, settings, at, now),
            }
        )
    return found
