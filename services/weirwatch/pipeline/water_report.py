"""`report water`: budgets, swings, evaporation, and what moves out of band and when.

Out of the keeper's log and the history; plain JSON data, for API and command line alike.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import Micros, to_rfc3339
from weirwatch.domain.keeper_log import LogEntry
from weirwatch.domain.reading import Channel
from weirwatch.pipeline.log_units import MEASURES
from weirwatch.pipeline.plant_figures import volume_l
from weirwatch.pipeline.room_co2 import Water, room_part
from weirwatch.pipeline.water_budget import Budget, budget
from weirwatch.pipeline.water_days import (
    DAY,
    Day,
    Hours,
    days_of,
    hours_of,
    level_json,
    offset_of,
    swing_json,
)
from weirwatch.pipeline.water_moving import (
    moving_channels,
    moving_tests,
    time_of,
    trend_json,
    trend_of,
)
from weirwatch.ports import Archive
from weirwatch.settings import PlantSettings, Settings

Json = dict[str, Any]
DEFAULT_SPAN: Micros = 30 * DAY
_MOST_ENTRIES = 100_000


def water_report_json(
    archive: Archive, settings: Settings, system: str, start: Micros, end: Micros
) -> Json:
    """Return the report on one system over `[start, end)`."""
    entries = current_entries(archive, system, end)
    plant = _plant(settings, system)
    volume = None if plant is None else volume_l(plant)
    channels = [c for c in settings.channels if c.system == system]
    offset = offset_of(settings.service.time_zone, end)
    hours = {c.id: hours_of(archive, c.id, start, end) for c in channels if not c.is_switch}
    days = {channel: days_of(some, offset) for channel, some in hours.items()}
    evaporated = {d.channel for d in settings.derived if d.formula == "evaporation"}
    room = _Room(settings, channels, hours, _water(entries, plant, channels, days), offset)
    return {
        "system": system,
        "from": to_rfc3339(start),
        "to": to_rfc3339(end),
        "budgets": [
            _budget(budget(entries, name, volume, start / DAY, end / DAY))
            for name in ("alkalinity", "calcium", "magnesium")
        ],
        "ph_swing": [
            {**_swing(c, days[c.id], offset), "room_co2": room.part(c.id)}
            for c in channels
            if c.quantity == "ph"
        ],
        "temperature_swing": [
            _swing(c, days[c.id], offset) for c in channels if c.quantity == "temperature"
        ],
        "evaporation": [
            {
                **level_json(c, days[c.id], offset),
                "trend": trend_json(trend_of([(d.day, d.mean) for d in days[c.id]])),
            }
            for c in channels
            if c.id in evaporated
        ],
        "moving": [
            *moving_tests(entries, start, end),
            *moving_channels(settings, channels, days, offset, end),
        ],
    }


def _swing(channel: Channel, days: Sequence[Day], offset: Micros) -> Json:
    means = trend_of([(day.day, day.mean) for day in days])
    return {**swing_json(channel, days, offset), "trend": trend_json(means)}


def _plant(settings: Settings, system: str) -> PlantSettings | None:
    plant = settings.plant
    return plant if plant is not None and plant.system == system else None


def _water(
    entries: Sequence[LogEntry],
    plant: PlantSettings | None,
    channels: Sequence[Channel],
    days: Mapping[str, Sequence[Day]],
) -> Water | None:
    """Return the water by its newest hand test of alkalinity, or None without one."""
    tests = [e for e in entries if e.kind == "test" and e.value is not None]
    newest = {e.subject: e.value for e in sorted(tests, key=lambda e: (e.time, e.number))}
    alkalinity = newest.get("alkalinity")
    if alkalinity is None:
        return None
    salinity = newest.get("salinity") or (35.0 if plant is None else plant.salinity)
    warmth = [
        day.mean
        for channel in channels
        if channel.quantity == "temperature" and channel.vessel
        for day in days.get(channel.id, ())
    ]
    return Water(alkalinity, salinity, median(warmth) if warmth else 25.0)


@dataclass(frozen=True, slots=True)
class _Room:
    """The room's carbon dioxide, where a probe shows it."""

    settings: Settings
    channels: Sequence[Channel]
    hours: Mapping[str, Hours]
    water: Water | None
    offset: Micros

    def part(self, ph: str) -> Json | None:
        """Return the room's part of one probe's swing; None: it cannot be told."""
        derived = {entry.channel for entry in self.settings.derived}
        probe = next(
            (
                c.id
                for c in self.channels
                if c.quantity == "co2" and c.unit == "ppm" and not c.vessel and c.id not in derived
            ),
            None,
        )
        if probe is None or self.water is None:
            return None
        try:
            found = room_part(self.hours[ph], self.hours[probe], self.water, self.offset)
        except ValueError:  # a hand test beyond what the chemistry is known for
            return None
        return None if found is None else {"channel": probe, **found}


def current_entries(archive: Archive, system: str, end: Micros) -> list[LogEntry]:
    """Return a system's entries up to a time (empty: all), those that were corrected left out."""
    found: list[LogEntry] = []
    after = 0
    while len(found) < _MOST_ENTRIES:
        more = archive.log(None, end, (), after, 1000)
        if not more:
            break
        found.extend(e for e in more if system in ("", e.system) and e.replaced_by is None)
        after = more[-1].number
    return found


def _budget(made: Budget) -> Json:
    unit = MEASURES[made.quantity].unit
    return {
        "quantity": made.quantity,
        "unit": f"{unit}/day",
        "tests": made.tests,
        "from": time_of(made.first),
        "to": time_of(made.last),
        "consumption": None if made.consumption is None else made.consumption.per_day,
        "standard_error": None if made.consumption is None else made.consumption.standard_error,
        "change": None if made.change is None else made.change[0],
        "change_error": None if made.change is None else made.change[1],
        "recent": None if made.recent is None else made.recent.per_day,
        "recent_error": None if made.recent is None else made.recent.standard_error,
        "reactor": made.reactor,
        "reactor_share": made.share(made.reactor),
        "dosed": made.dosed,
        "dosed_share": made.share(made.dosed),
        "water_changes": made.changed,
        "points": [{"at": time_of(day), "value": value} for day, value in made.points],
        "doubtful_tests": list(made.doubtful),
        "flags": [
            {
                "what": flag.what,
                "from": time_of(flag.from_day),
                "to": time_of(flag.to_day),
                "amount": flag.amount,
                "unit": unit,
            }
            for flag in made.flags
        ],
    }


def system_of(settings: Settings, named: str) -> str:
    """Return the system that is meant: the one that is named, else the only one.

    Raises:
        ConfigError: there are several, or none of that id.
    """
    known = [system.id for system in settings.systems]
    if named and named not in known:
        raise ConfigError(f"system {named!r} is none of {', '.join(known)}")
    if not named and len(known) > 1:
        raise ConfigError(f"say which system: {', '.join(known)}")
    return named or known[0]
