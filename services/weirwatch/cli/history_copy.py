"""History from the store that one configuration names into the one that another names."""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from itertools import islice
from pathlib import Path
from typing import Any

from weirwatch.cli.desk import Desk
from weirwatch.cli.history_import import Store, bounds_of, store_of
from weirwatch.config import Overrides, load
from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Channel, Reading
from weirwatch.pipeline.paging import all_readings
from weirwatch.pipeline.past import chunks
from weirwatch.ports import Archive
from weirwatch.settings import HistorySettings, Settings
from weirwatch.store.far.history import FarHistory
from weirwatch.store.far.making import archive_of, far_of

_PAGE = 20_000
_FAR: Micros = 2**62
_ON_THEIR_WAY: Micros = 120 * SECOND  # younger ones the service itself is just sending

Told = Callable[[str], None]


def copy_history(
    desk: Desk, old: Path, old_data: Path | None, tell: Told = lambda _: None
) -> Mapping[str, Any]:
    """Copy every reading; return the counts.

    Args:
        desk: where to: the store of its configuration.
        old: configuration of where from.
        old_data: its data folder, if not the one it names.
        tell: is told each channel when it is done.

    Raises:
        ConfigError: both are one store, or a channel has another unit here.
        TransientError, PermanentError: not all was copied; what was stays, it may be done again.
    """
    source = load(old, Overrides(data_dir=old_data))
    _refuse_same(source, desk.settings)
    known = {channel.id: channel for channel in desk.settings.channels}
    counts: Counter[str] = Counter(stored=0, already=0)
    now = desk.now()
    until = now - _ON_THEIR_WAY if _sent_by_service(source, desk.settings) else now + 1
    too_old, too_new = [], []
    with closing(archive_of(source)) as archive, _target(desk) as store:
        there = archive.channels()
        _refuse_units(there, known)
        for channel in there:
            if channel.id in known:
                since, _ = bounds_of(desk.settings.history, known[channel.id], now)
                span = archive.span(channel.id)
                if span is not None:
                    too_old += [channel.id] if span[0] < since else []
                    too_new += [channel.id] if span[1] > now else []
                copied = _copy(archive, channel.id, (max(since, -_FAR), until), store)
                counts.update(copied)
                tell(f"{channel.id}: {copied['stored']} copied, {copied['already']} were there")
    unknown = [channel.id for channel in there if channel.id not in known]
    return {
        **counts,
        "channels": len(there) - len(unknown),
        "not_configured": unknown,
        "too_old": too_old,
        "too_new": too_new,
    }


def _copy(
    archive: Archive, channel: str, span: tuple[Micros, Micros], store: Store
) -> Counter[str]:
    counts: Counter[str] = Counter(stored=0, already=0)
    for portion in chunks(all_readings(archive, channel, *span, _PAGE)):
        already = store(portion)
        counts.update(stored=len(portion) - already, already=already)
    return counts


@contextmanager
def _target(desk: Desk) -> Iterator[Store]:
    far = far_of(desk.settings.history)
    if far is None:
        with store_of(desk) as store:
            yield store
        return
    with closing(far):
        far.settle()  # what was written a moment ago shows, and is not written again
        yield _storing(far, {channel.id: channel.unit for channel in desk.settings.channels})


def _storing(far: FarHistory, units: Mapping[str, str]) -> Store:
    def store(portion: Sequence[Reading]) -> int:
        there: set[tuple[str, int]] = set()
        for channel in {reading.channel for reading in portion}:
            times = [reading.time for reading in portion if reading.channel == channel]
            low = min(times) // far.resolution * far.resolution
            found = far.readings(channel, low, max(times) + 1, 2**31)
            there.update((channel, reading.time // far.resolution) for reading in found)
        fresh = []
        for reading in portion:
            key = (reading.channel, reading.time // far.resolution)
            if key not in there:
                there.add(key)
                fresh.append(reading)
        waiting = iter(fresh)
        while some := list(islice(waiting, _PAGE)):
            far.write(some, units)
        return len(portion) - len(fresh)

    return store


def _sent_by_service(source: Settings, target: Settings) -> bool:
    """Whether what is recent in the old store goes to the new one anyway: they share a file."""
    folders = [settings.service.data_dir.resolve() for settings in (source, target)]
    return target.history.kind != "sqlite" and folders[0] == folders[1]


def _refuse_same(source: Settings, target: Settings) -> None:
    if _place(source) == _place(target):
        raise ConfigError("both configurations name the same history: --from names the old one")


def _place(settings: Settings) -> tuple[object, ...]:
    history: HistorySettings = settings.history
    if history.kind == "sqlite":
        return (history.kind, settings.service.data_dir.resolve())
    return (history.kind, history.url.rstrip("/"), history.org, history.bucket)


def _refuse_units(there: Sequence[Channel], known: Mapping[str, Channel]) -> None:
    problems = [
        f"[[channel]] {channel.id}: unit = {known[channel.id].unit!r}, but the history to be copied"
        f" is in {channel.unit!r}: keep that unit, or give the channel a new id"
        for channel in there
        if channel.id in known and known[channel.id].unit != channel.unit
    ]
    if problems:
        raise ConfigError(problems)
