"""Files of readings checked whole, then stored: by the running service, else into its file."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from weirwatch.cli.desk import Desk
from weirwatch.clock import SystemClock
from weirwatch.config.problems import did_you_mean
from weirwatch.control.client import ControlClient
from weirwatch.domain.errors import ConfigError, TransientError
from weirwatch.domain.instant import SECOND, file_stamp
from weirwatch.domain.reading import Reading
from weirwatch.pipeline.past import chunks, request_of
from weirwatch.pipeline.reading_files import Expected, read_past
from weirwatch.store.far.making import far_of
from weirwatch.store.lock import WriterLock
from weirwatch.store.sqlite_journal import open_journal

_DAY = 86_400 * SECOND

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
    oldest = now - desk.settings.history.raw_days * _DAY
    counts = {"readings": 0, "stored": 0, "already": 0, "summed_up": 0}
    for reading in _all(files, expected):
        counts["readings"] += 1
        counts["summed_up"] += reading.time < oldest
    if not check and counts["readings"]:
        with store_of(desk) as store:
            for portion in chunks(_all(files, expected)):
                already = store(portion)
                counts["already"] += already
                counts["stored"] += len(portion) - already
    return counts


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
    """
    folder = desk.settings.service.data_dir
    try:
        lock = WriterLock(folder)
    except ConfigError as held:
        yield _asking(desk, held)
        return
    now = SystemClock().now().utc
    with lock:
        journal, damage = open_journal(
            folder, file_stamp(now), far=far_of(desk.settings.history) is not None
        )
        try:
            if damage is not None:
                raise ConfigError(damage)
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
