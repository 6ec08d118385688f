"""Files of readings checked whole, then stored: by the running service, else into its file."""

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from functools import cache, partial
from pathlib import Path
from typing import Any

from weirwatch.cli.desk import Desk
from weirwatch.clock import SystemClock
from weirwatch.config.problems import did_you_mean
from weirwatch.control.client import ControlClient
from weirwatch.domain.errors import ConfigError, TransientError, WeirwatchError
from weirwatch.domain.instant import Micros, file_stamp
from weirwatch.domain.reading import Channel, Reading
from weirwatch.pipeline.past import chunks, request_of
from weirwatch.pipeline.reading_files import Expected, read_past
from weirwatch.settings import HistorySettings
from weirwatch.store.block import HOUR, hour_of
from weirwatch.store.far.making import far_of
from weirwatch.store.lock import WriterLock
from weirwatch.store.retention import readings_from, summaries_from
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import open_journal

_FAR: Micros = 2**62

Store = Callable[[Sequence[Reading]], int]  # returns how many were there already


def put_in(
    desk: Desk, files: Sequence[Path], channel: str, unit: str | None, *, check: bool
) -> Mapping[str, Any]:
    """Check every line of every file, then store all of it; return the counts.

    Raises:
        ConfigError: with every bad line and its cure; nothing was stored.
        TransientError, PermanentError: not all was stored; the same files may come again.
    """
    channels = {c.id: c for c in desk.settings.channels}
    now = desk.now()
    expected = Expected(channels, lambda name: did_you_mean(name, channels), channel, unit, now)
    if channel and channel not in channels:
        raise ConfigError(f"--channel {channel}: is not configured. {expected.known(channel)}")
    bounds = {c.id: bounds_of(desk.settings.history, c, now) for c in channels.values()}
    gone = cache(partial(_hours_let_go, desk))  # of the channels that the files have
    names = ("readings", "stored", "already", "summed_up", "let_go", "only_summary")
    counts = dict.fromkeys(names, 0)
    for reading in _all(files, expected):
        summary, raw = bounds[reading.channel]
        counts["readings"] += 1
        counts["let_go"] += reading.time < summary
        counts["summed_up"] += summary <= reading.time < raw
        counts["only_summary"] += hour_of(reading.time) in gone(reading.channel)
    if not check and counts["readings"] > counts["let_go"]:
        kept = (r for r in _all(files, expected) if r.time >= bounds[r.channel][0])
        with store_of(desk) as store:
            for portion in chunks(kept):
                already = store(portion)
                counts["already"] += already
                counts["stored"] += len(portion) - already
    return counts


def _hours_let_go(desk: Desk, channel: str) -> Collection[int]:
    """Return the hours whose readings went long ago: what comes for them cannot be stored."""
    if not desk.file.exists() or desk.settings.history.kind != "sqlite":
        return ()
    with suppress(WeirwatchError):  # whoever stores them says what is wrong with the file
        if isinstance(desk.archive, SqliteArchive):
            return desk.archive.hours_let_go(channel)
    return ()


def bounds_of(history: HistorySettings, channel: Channel, now: Micros) -> tuple[Micros, Micros]:
    """Return from when on the summaries of a channel's hours are kept, and its readings."""
    if history.kind != "sqlite":  # the server knows how long
        return -_FAR, -_FAR
    kept = history.retention.of(channel.id, channel.quantity)
    return summaries_from(kept, now) * HOUR, readings_from(kept, now) * HOUR


def _all(files: Sequence[Path], expected: Expected) -> Iterator[Reading]:
    problems: list[str] = []
    for file in files:
        try:
            yield from read_past(file, expected)
        except ConfigError as error:
            problems += error.problems
    if problems:
        raise ConfigError(problems)


@contextmanager
def store_of(desk: Desk) -> Iterator[Store]:
    """Yield what stores a portion of readings: the running service, else its file under its lock.

    Raises:
        ConfigError: another program holds the data folder.
        PermanentError: the file is damaged; it stays as it is.
    """
    folder = desk.settings.service.data_dir
    try:
        lock = WriterLock(folder)
    except ConfigError as held:
        if desk.health()[0] is None:  # nobody to ask: it is not the service that is in the way
            raise
        yield _asking(desk, held)
        return
    now = SystemClock().now().utc
    with lock:
        journal, _ = open_journal(
            folder,
            file_stamp(now),
            far=far_of(desk.settings.history) is not None,
            keep_damaged=True,
        )
        try:
            journal.adopt(desk.settings.channels, desk.settings.rules)
            yield lambda readings: journal.take_in(readings, now)
        finally:
            journal.close()


def _asking(desk: Desk, held: ConfigError) -> Store:
    core = desk.core
    if not isinstance(core, ControlClient):
        raise held
    client = core

    def ask(readings: Sequence[Reading]) -> int:
        try:
            return int(client.past(request_of(readings))["already"])
        except TransientError as silent:
            raise TransientError(f"{silent} (what was stored stays; import it again)") from silent

    return ask
