"""The home of reading observations: in order of time either way, of one channel or of many."""

import heapq
from collections.abc import Iterator, Sequence

from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Reading
from weirwatch.pipeline.paging import all_readings
from weirwatch.ports import Archive
from weirwatch.web.parameters import EARLIEST, LATEST
from weirwatch.web.sta.words import Bound

_PAGE = 1000
_FIRST_STEP: Micros = 600 * SECOND


def span_of(bounds: Sequence[Bound]) -> tuple[Micros, Micros]:
    """Return `[start, end)` that holds everything within the bounds on an observation's time."""
    start, end = EARLIEST, LATEST
    for bound in bounds:
        if bound.path not in ("phenomenonTime", "resultTime"):
            continue
        if bound.operator in ("gt", "ge", "eq"):
            start = max(start, bound.time)
        if bound.operator in ("lt", "le", "eq"):
            end = min(end, bound.time + 1)
    return start, end


def readings(
    archive: Archive, channels: Sequence[str], start: Micros, end: Micros, *, newest_first: bool
) -> Iterator[tuple[Micros, str, Reading]]:
    """Yield (time, channel, reading) of `[start, end)`; at one time by channel id."""
    walk = _backwards if newest_first else _forwards
    return heapq.merge(
        *(walk(archive, channel, start, end) for channel in channels),
        key=lambda found: (-found[0] if newest_first else found[0], found[1]),
    )


def _forwards(
    archive: Archive, channel: str, start: Micros, end: Micros
) -> Iterator[tuple[Micros, str, Reading]]:
    if start < end:
        for reading in all_readings(archive, channel, start, end, _PAGE):
            yield reading.time, channel, reading


def _backwards(
    archive: Archive, channel: str, start: Micros, end: Micros
) -> Iterator[tuple[Micros, str, Reading]]:
    """Walk back in windows that grow while they are empty: gaps of weeks cost a few steps."""
    span = archive.span(channel)
    if span is None:
        return
    start, end = max(start, span[0]), min(end, span[1] + 1)
    step = _FIRST_STEP
    while start < end:
        since = max(start, end - step)
        window = list(_forwards(archive, channel, since, end))
        yield from reversed(window)
        step = step * 2 if len(window) < _PAGE else _FIRST_STEP
        end = since
