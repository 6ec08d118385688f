"""Where `weirwatch replay` takes its readings from, and how a sweep is printed."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path

from weirwatch.cli.desk import print_json
from weirwatch.cli.time_range import time_range
from weirwatch.cli.words import console, plain_table
from weirwatch.clock import SystemClock
from weirwatch.domain.alarm import Event
from weirwatch.domain.book import Book, make_ready
from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND, Micros, from_rfc3339, seconds
from weirwatch.domain.reading import Reading
from weirwatch.domain.rule import RuleBook
from weirwatch.domain.wording import counted
from weirwatch.pipeline.backtest import (
    Sweep,
    Tried,
    channels_of,
    stored_readings,
    sweep,
    sweep_json,
    with_causes,
)
from weirwatch.pipeline.derive import Deriver, measured_of, with_derived
from weirwatch.pipeline.local_time import duration
from weirwatch.pipeline.recording import read_commands, read_readings
from weirwatch.pipeline.replay import Refusal, replay, replay_in_order
from weirwatch.ports import Archive
from weirwatch.settings import Settings
from weirwatch.store.far.making import archive_of

_DEFAULT_SPAN: Micros = 7 * 86_400 * SECOND


@dataclass(frozen=True, slots=True)
class Source:
    """What to run over: a file of readings, or None for the service's own history."""

    settings: Settings
    readings: Path | None
    commands: Path | None
    until: str | None
    start: str | None
    end: str | None


def run(source: Source) -> Iterator[Event | Refusal]:
    """Yield every transition in time order, and every refused command.

    Over the service's own history it begins no earlier than that does: nothing was silent before.
    Nor is a channel silent of which a file has nothing.

    Raises:
        ConfigError: a time or a file that cannot be read.
    """
    settings = source.settings
    channels = {channel.id: channel for channel in settings.channels}
    if source.readings is not None:
        given = [] if source.commands is None else read_commands(source.commands)
        readings = _from_file(source, source.readings)
        heard = {reading.channel for reading in readings}
        yield from replay(_book(settings, heard), readings, given, _until(source.until))
        return
    book = _book(settings, channels)
    begin, end = _range(source)
    archive = archive_of(settings)
    try:
        wanted = channels_of(settings.rules) & channels.keys()
        stored = _from_store(settings, archive, wanted, (begin, end))
        first = next(stored, None)
        if first is not None:
            stored = chain([first], stored)
            begin = max(begin, min(first.time, archive.first_event_at() or first.time))
        yield from replay_in_order(book, stored, begin, end)
    finally:
        archive.close()


def print_sweep(source: Source, rule_id: str, *, as_json: bool) -> None:
    """Print how often the rule would have sounded with other deadbands and on-delays.

    Raises:
        UnknownRule: no rule has that id.
        ConfigError: a time or a file that cannot be read.
    """
    settings = source.settings
    rules = {rule.id: rule for rule in settings.rules}
    channels = {channel.id: channel for channel in settings.channels}
    wanted = channels_of(with_causes(rule_id, rules))
    readings, span = _readings(source, wanted)
    found = sweep(rule_id, rules, channels, readings, span, settings.service.time_zone)
    channel = rules[rule_id].channel
    unit = channels[channel].unit if channel is not None else ""
    if as_json:
        print_json(sweep_json(found, unit))
    else:
        _print(found, unit, len(readings), span)


def _readings(
    source: Source, wanted: frozenset[str]
) -> tuple[list[Reading], tuple[Micros, Micros]]:
    if source.readings is None:
        begin, end = _range(source)
        archive = archive_of(source.settings)
        try:
            found = list(_from_store(source.settings, archive, wanted, (begin, end)))
        finally:
            archive.close()
        return found, (begin, end)
    until = _until(source.until)
    found = [
        reading
        for reading in _from_file(source, source.readings)
        if reading.channel in wanted and (until is None or reading.time <= until)
    ]
    found.sort(key=lambda reading: reading.time)
    if not found:
        return found, (0, 0)
    return found, (found[0].time, found[-1].time if until is None else until)


def _from_file(source: Source, file: Path) -> list[Reading]:
    """Return a file's readings and what is derived from them, unless the file has that itself."""
    settings = source.settings
    readings = read_readings(file, {channel.id: channel for channel in settings.channels})
    given = {reading.channel for reading in readings}
    derived = [entry for entry in settings.derived if entry.channel not in given]
    if not derived or not readings:
        return readings
    in_order = sorted(readings, key=lambda reading: reading.time)
    deriver = Deriver(derived, settings.channels)
    return list(with_derived(in_order, deriver, settings.channels, in_order[0].time))


def _from_store(
    settings: Settings, archive: Archive, wanted: frozenset[str], span: tuple[Micros, Micros]
) -> Iterator[Reading]:
    """Yield stored readings; derived channels are computed anew from what was measured."""
    begin, end = span
    measured = measured_of(wanted, settings.derived)
    readings = stored_readings(archive, measured, begin, end)
    if measured == wanted:
        return readings
    deriver = Deriver(settings.derived, settings.channels)
    for channel, before in deriver.windows.items():
        deriver.seed(stored_readings(archive, [channel], begin - before, begin))
    return with_derived(readings, deriver, settings.channels, begin)


def _book(settings: Settings, heard: Collection[str]) -> Book:
    channels = {
        channel.id: channel
        if channel.id in heard
        else replace(channel, expected_every=None, silent_after=None)
        for channel in settings.channels
    }
    rules = {rule.id: rule for rule in settings.rules}
    return make_ready(RuleBook(rules, channels, settings.service.time_zone))


def _until(text: str | None) -> Micros | None:
    try:
        return None if text is None else from_rfc3339(text)
    except ValueError as trouble:
        raise ConfigError(f"--until {text!r}: {trouble}") from trouble


def _range(source: Source) -> tuple[Micros, Micros]:
    return time_range(source.start, source.end, SystemClock().now().utc, _DEFAULT_SPAN)


def _print(found: Sweep, unit: str, readings: int, span: tuple[Micros, Micros]) -> None:
    out = console()
    out.print(f"{found.rule}: {readings} readings in {duration(span[1] - span[0])}")
    episodes = counted(found.episodes, "episode")
    out.print(f"Its condition showed in {episodes}, ten minutes apart or more.\n")
    header = ("Deadband", "On-delay", "Sounds", "Chatters", "Later", "at worst", "Missed")
    table = plain_table(*header, "", numbers=header)
    for tried in found.tried:
        marks = [
            word
            for word, other in (("as it is", found.current), ("proposed", found.proposal))
            if tried == other
        ]
        table.add_row(*_cells(tried, unit), ", ".join(marks))
    out.print(table)
    if not found.episodes:
        out.print("\nNothing is proposed: where the condition never showed, nothing was tried.")
    elif found.proposal is None:
        out.print("\nNone of these stops the chattering: is the limit where life usually is?")
    elif found.proposal == found.current:
        out.print("\nIt does not chatter with less: leave it as it is.")
    else:
        band = (
            "" if found.proposal.deadband is None else f"deadband = {found.proposal.deadband:g}, "
        )
        delay = seconds(found.proposal.on_delay)
        out.print(f"\nThe smallest that does not chatter: {band}on_delay_s = {delay:g}")


def _cells(tried: Tried, unit: str) -> list[str]:
    return [
        "–" if tried.deadband is None else f"{tried.deadband:g} {unit}".rstrip(),
        f"{seconds(tried.on_delay):g} s",
        str(tried.annunciations),
        f"{tried.chattering} times" if tried.chattering else "no",
        f"{seconds(tried.late_mean):.0f} s",
        f"{seconds(tried.late_worst):.0f} s",
        str(tried.missed),
    ]
