"""A scenario file of a drill, read and checked: every mistake at once, each with its cure."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from weirwatch.config.document import read_document
from weirwatch.config.entries import Entry, parse
from weirwatch.config.problems import Problem, did_you_mean
from weirwatch.config.scenario_checks import Item, Playable, check_entries, check_head
from weirwatch.config.scenario_models import EntryConfig, ScenarioConfig
from weirwatch.config.values import parse_clock
from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND, Micros

_SECTIONS = ("scenario", "entry")
_ENTRY = re.compile(r"entry\[(\d+)\]")
# day of the year, and how much warmer the room is than its mean; common practice, no source
_SEASONS: Mapping[str, tuple[date, float]] = {
    "winter": (date(2026, 1, 15), -3.0),
    "spring": (date(2026, 4, 15), 0.0),
    "summer": (date(2026, 7, 15), 4.0),
    "autumn": (date(2026, 10, 15), 0.0),
}
_USUAL_DAY = date(2026, 1, 1)


@dataclass(frozen=True, slots=True)
class EntrySettings:
    """One entry of the timeline; `at_s` and the other spans in seconds.

    Attributes:
        fault, act: one of them; the other is empty.
        target: empty: the fault's own default.
        severity, onset_s, repaired_after_s: None: the fault's own, at once, never.
        expect: told, quiet or either; empty: as usual for the fault.
        told_by: failures whose rules count as having told it; empty: as usual.
    """

    at_s: float
    fault: str
    act: str
    target: str
    severity: float | None
    onset_s: float
    repaired_after_s: float | None
    expect: str
    told_by: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RecordingSettings:
    """Recorded readings that are played.

    Attributes:
        path: a CSV file as of `weirwatch replay`.
        begins: of its time, where the scenario starts; None: with its first reading.
        moved: whether the scenario has a date or time of day of its own.
        others: what of the other channels: simulated or absent.
    """

    path: Path
    begins: Micros | None
    moved: bool
    others: str


@dataclass(frozen=True, slots=True)
class ScenarioSettings:
    """A whole scenario.

    Attributes:
        start: its beginning, from date and time of day in the keeper's zone.
        utc_offset_h: of the zone at the start.
        room_degc: None: the plant's own, with `room_shift_k` added.
        lasts_s: from the start.
        every_s: sampling of all nodes; None: their own.
        recording: None: all of the plant is simulated.
    """

    source: Path
    title: str
    seed: int
    start: Micros
    utc_offset_h: float
    room_degc: float | None
    room_shift_k: float
    lasts_s: float
    every_s: float | None
    entries: tuple[EntrySettings, ...]
    recording: RecordingSettings | None = None


def load_scenario(path: Path, playable: Playable, zone: ZoneInfo) -> ScenarioSettings:
    """Return the scenario of a file.

    Args:
        path: the TOML file.
        playable: what the plant can play.
        zone: the keeper's, in which date and time of day are meant.

    Raises:
        ConfigError: with every mistake of the file.
    """
    document = read_document(
        path, "Name the right one with --scenario; docs/drill.md has an example."
    )
    problems = [
        Problem(key, "is not a known section", _section_cure(key))
        for key in document
        if key not in _SECTIONS
    ]
    head, found = _head(document)
    problems += found
    recorded = head is not None and head.config.readings is not None
    entries = list(_entries(document.get("entry", []), problems, needed=not recorded))
    if head is not None:
        problems += check_head(head, path.absolute().parent)
    problems += check_entries(head, entries, playable)
    if problems or head is None:
        problems.sort(key=_position)
        raise ConfigError([problem.sentence(str(path)) for problem in problems])
    return _settings(path, head.config, [item.entry.config for item in entries], zone)


def _position(problem: Problem) -> int:
    """Return where its table stands, so that all about one entry stands together."""
    found = _ENTRY.match(problem.where)
    return 0 if found is None else int(found[1])


def _section_cure(key: str) -> str:
    plural = {"entries": "entry", "scenarios": "scenario"}
    return f'Did you mean "{plural[key]}"?' if key in plural else did_you_mean(key, _SECTIONS)


def _head(
    document: Mapping[str, Any],
) -> tuple[Entry[ScenarioConfig] | None, list[Problem]]:
    if "scenario" not in document:
        cure = 'Begin the file with [scenario] and lasts = "12 h"'
        return None, [Problem("scenario", "is missing", cure)]
    return parse(document["scenario"], ScenarioConfig, "scenario")


def _entries(raw: object, problems: list[Problem], *, needed: bool) -> Iterator[Item]:
    if not isinstance(raw, list):
        cure = "Write [[entry]] in two brackets: there can be several"
        problems.append(Problem("entry", "is not a list of tables", cure))
        return
    if needed and not raw:
        cure = "Add [[entry]] with at, and fault or act"
        problems.append(Problem("entry", "there is none: nothing would happen", cure))
    for number, item in enumerate(raw, start=1):
        entry, found = parse(item, EntryConfig, f"entry[{number}]")
        problems.extend(found)
        if entry is not None:
            yield Item(entry, item)


def _settings(
    path: Path, head: ScenarioConfig, entries: Sequence[EntryConfig], zone: ZoneInfo
) -> ScenarioSettings:
    season_day, shift_k = _SEASONS.get(head.season or "", (_USUAL_DAY, 0.0))
    day = head.date or season_day
    hour, minute = divmod(parse_clock(head.time_of_day), 60)
    local = datetime(day.year, day.month, day.day, hour, minute, tzinfo=zone)
    return ScenarioSettings(
        source=path,
        title=head.title or path.stem.replace("-", " ").capitalize(),
        seed=head.seed,
        start=_micros(local),
        utc_offset_h=utc_offset_h(_micros(local), zone),
        room_degc=head.room_degc,
        room_shift_k=shift_k,
        lasts_s=head.lasts,
        every_s=head.every_s,
        entries=tuple(_entry(entry) for entry in entries),
        recording=_recording(path, head, zone),
    )


def utc_offset_h(time: Micros, zone: ZoneInfo) -> float:
    """Return the hours that a zone's clock is ahead of UTC at a time."""
    offset = datetime.fromtimestamp(time / SECOND, zone).utcoffset()
    return 0.0 if offset is None else offset.total_seconds() / 3600.0


def _recording(path: Path, head: ScenarioConfig, zone: ZoneInfo) -> RecordingSettings | None:
    if head.readings is None:
        return None
    begins = head.readings_from
    if begins is not None and begins.tzinfo is None:
        begins = begins.replace(tzinfo=zone)
    return RecordingSettings(
        path=path.absolute().parent / head.readings,
        begins=None if begins is None else _micros(begins),
        moved=bool(head.model_fields_set & {"date", "season", "time_of_day"}),
        others=head.others,
    )


def _micros(moment: datetime) -> Micros:
    return round(moment.astimezone(UTC).timestamp() * SECOND)


def _entry(entry: EntryConfig) -> EntrySettings:
    return EntrySettings(
        at_s=entry.at,
        fault=entry.fault or "",
        act=entry.act or "",
        target=entry.target or "",
        severity=entry.severity,
        onset_s=entry.onset or 0.0,
        repaired_after_s=entry.repaired_after,
        expect=entry.expect or "",
        told_by=tuple(entry.told_by),
    )
