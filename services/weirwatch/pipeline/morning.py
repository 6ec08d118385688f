"""The morning line: what changed overnight, what is due, and whether all is really well."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, fields
from typing import Any
from zoneinfo import ZoneInfo

from weirwatch.domain.alarm import Alarm, AlarmState, Event, ServiceState
from weirwatch.domain.failures import Catalogue
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Quality
from weirwatch.pipeline.local_time import clock_time, local_time
from weirwatch.pipeline.notice_tests import Trials, reminder
from weirwatch.pipeline.notice_text import fitted
from weirwatch.pipeline.proofs import overdue, proofs_json
from weirwatch.pipeline.upkeep import upkeep_json, waiting_lines
from weirwatch.pipeline.water_report import current_entries
from weirwatch.ports import Archive, Newest
from weirwatch.settings import Settings

NIGHT: Micros = 12 * 3600 * SECOND
LAG: Micros = 10 * SECOND  # beside the group commit: a reading is looked at when it is durable
_DAY: Micros = 86_400 * SECOND
_PAGE = 1000
_SHOWN = 8  # of one kind by name; the rest is counted


@dataclass(frozen=True, slots=True)
class Morning:
    """What the morning line is made of; each a sentence or a name. "All well" needs them empty.

    Attributes:
        overnight: what was annunciated in the last twelve hours; does not spoil "all well".
        due: jobs, calibrations, supplies and the test of notices; does not spoil it either.
        standing: alarms that stand or wait for somebody.
        silenced: alarms that are shelved or out of service.
        silent: channels without a fresh good reading.
        uncovered: failures of the catalogue that can happen here and that no rule watches.
        undeliverable: notices that nobody took.
        unproven: watched channels whose sensor has no proof on record that still holds.
    """

    overnight: tuple[str, ...] = ()
    due: tuple[str, ...] = ()
    standing: tuple[str, ...] = ()
    silenced: tuple[str, ...] = ()
    silent: tuple[str, ...] = ()
    uncovered: tuple[str, ...] = ()
    undeliverable: tuple[str, ...] = ()
    unproven: tuple[str, ...] = ()

    @property
    def wrong(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """What stands against "all well", each kind with its names."""
        kinds = [(field.name, getattr(self, field.name)) for field in fields(self)[2:]]
        return tuple((name, found) for name, found in kinds if found)


def morning_of(archive: Archive, settings: Settings, catalogue: Catalogue, now: Micros) -> Morning:
    """Return what is to be told, out of the record alone; the service need not run."""
    alarms = archive.alarms()
    tests = Trials(archive.tested(), archive.first_event_at())
    people = [person.id for person in settings.recipients]
    due = [
        line
        for system in settings.systems
        for line in waiting_lines(upkeep_json(archive, settings, system.id, now))
    ]
    said = reminder(tests, people, now)
    return Morning(
        overnight=tuple(_overnight(archive, settings, now)),
        due=(*due, *([said[:1].upper() + said[1:]] if said else [])),
        standing=tuple(_named(settings, alarms, _loud)),
        silenced=tuple(_named(settings, alarms, _silenced)),
        silent=tuple(_silent(settings, archive.newest(), now)),
        uncovered=_uncovered(settings, catalogue),
        undeliverable=tuple(
            f"{notice.recipient}: {notice.last_error or notice.state}"
            for notice in archive.undelivered(now - _DAY)
        ),
        unproven=_unproven(archive, settings, now),
    )


def morning_text(morning: Morning, now: Micros, settings: Settings, longest: int | None) -> str:
    """Return the line for a lock screen, and what it counts below."""
    zone = settings.service.time_zone
    titles = ", ".join(system.title or system.id for system in settings.systems)
    wrong = ", ".join(f"{len(found)} {name}" for name, found in morning.wrong)
    first = f"Morning, {titles}: {wrong or 'all well'}"
    lines = [first, f"As of {local_time(now, zone)}."]
    night = morning.overnight or ("nothing was announced.",)
    lines += [f"Overnight: {line}" for line in _short(night)]
    lines += [f"Due: {line}" for line in _short(morning.due)]
    for name, found in morning.wrong:
        lines.append(f"{name.capitalize()}: {'; '.join(_short(found))}")
    link = f"The page: {settings.notice_page}" if settings.notice_page else ""
    return fitted(lines, link, longest, None)


def morning_json(morning: Morning) -> dict[str, Any]:
    """Return it as data."""
    shown = {field.name: list(getattr(morning, field.name)) for field in fields(morning)}
    return {"all_well": not morning.wrong, **shown}


def _short(found: tuple[str, ...]) -> tuple[str, ...]:
    more = len(found) - _SHOWN
    return found if more <= 0 else (*found[:_SHOWN], f"and {more} more")


def _overnight(archive: Archive, settings: Settings, now: Micros) -> Iterator[str]:
    zone, rules = settings.service.time_zone, {rule.id: rule for rule in settings.rules}
    told: dict[str, list[str]] = {}
    for event in _events(archive, now - NIGHT, now):
        word = "announced" if event.annunciated else "back" if event.kind == "returned" else ""
        if event.rule in rules and word and (event.annunciated or event.rule in told):
            told.setdefault(event.rule, []).append(f"{word} {clock_time(event.time, zone)}")
    for rule, times in told.items():
        found = rules[rule]
        yield f"{found.priority.value.upper()}: {found.title} ({', '.join(_ends(times))})"


def _ends(times: list[str]) -> list[str]:
    """Return the first and the last of many."""
    return times if len(times) <= 4 else [*times[:2], f"{len(times) - 3} more", times[-1]]


def _events(archive: Archive, start: Micros, end: Micros) -> Iterator[Event]:
    after = 0
    while page := archive.events(start, end, after, _PAGE):
        yield from (stored.event for stored in page)
        after = page[-1].seq


def _named(
    settings: Settings, alarms: Mapping[str, Alarm], wanted: Callable[[Alarm], bool]
) -> Iterable[str]:
    return (
        f"{rule.title} ({rule.priority.value})"
        for rule in settings.rules
        if rule.id in alarms and wanted(alarms[rule.id])
    )


def _loud(alarm: Alarm) -> bool:
    in_service = alarm.service_state is ServiceState.IN_SERVICE
    return in_service and alarm.state is not AlarmState.NORMAL


def _silenced(alarm: Alarm) -> bool:
    return alarm.service_state in (ServiceState.SHELVED, ServiceState.OUT_OF_SERVICE)


def _silent(settings: Settings, newest: Mapping[str, Newest], now: Micros) -> Iterator[str]:
    lag = settings.service.commit_every + LAG
    for channel in settings.channels:
        found = newest.get(channel.id)
        if found is None:
            yield f"{channel.label} (never heard)"
        elif channel.silent_after is not None and now - found.time > channel.silent_after + lag:
            yield f"{channel.label} (since {_clock(found.time, settings.service.time_zone, now)})"
        elif found.quality is Quality.BAD:
            yield f"{channel.label} (bad: {found.reason})"


def _clock(time: Micros, zone: ZoneInfo, now: Micros) -> str:
    return clock_time(time, zone) if now - time < _DAY // 2 else local_time(time, zone)


def _uncovered(settings: Settings, catalogue: Catalogue) -> tuple[str, ...]:
    covered = {rule.failure for rule in settings.rules}
    impossible = settings.plant.without if settings.plant is not None else ()
    return tuple(f for f in catalogue.failures if f not in covered and f not in impossible)


def _unproven(archive: Archive, settings: Settings, now: Micros) -> tuple[str, ...]:
    """Return the watched channels whose sensor was never proved, failed, or is due again."""
    watched = {rule.channel for rule in settings.rules if rule.channel}
    entries = current_entries(archive, "", now + 1)
    waiting = {*overdue(proofs_json(settings, entries, now))} & watched
    return tuple(channel.label for channel in settings.channels if channel.id in waiting)
