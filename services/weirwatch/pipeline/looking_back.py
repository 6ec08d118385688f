"""What a start reads again of the record, so that rules which look back forget nothing.

Of each channel that such a rule looks back on: the span before its newest reading and that before
its newest good one, however long ago they are, and before these as far as the newest good reading,
which says how it began.
"""

from collections.abc import Iterator, Sequence
from typing import Protocol

from weirwatch.domain.book import Book
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Quality, Reading
from weirwatch.domain.refill import refill, refill_spans
from weirwatch.domain.state import EngineState
from weirwatch.pipeline.paging import Paged, all_readings

PAGE = 100_000  # readings of one channel asked for at once
MOST_BEFORE = 100_000  # so many in a row that are not good are enough: how it began is not known


class Record(Paged, Protocol):
    """The part of `ports.Archive` that a start reads."""

    def span(self, channel: str) -> tuple[Micros, Micros] | None:
        """Return the times of the first and the last reading, or None."""
        ...


def look_back(state: EngineState, book: Book, record: Record) -> None:
    """Fill the windows of rules that look back; call once, right after the engine's start.

    Args:
        state: as `domain.engine.start` returned it.
        book: the rules.
        record: all that was committed.

    Raises:
        WeirwatchError: the record cannot be read; windows not filled by then fill anew.
    """
    refill(state, book, _all_spans(state, book, record))


def _all_spans(state: EngineState, book: Book, record: Record) -> Iterator[Reading]:
    for channel, span in refill_spans(book).items():
        observed = state.observed.get(channel)
        if observed is None:
            continue
        good = observed.time if observed.good_time is None else observed.good_time
        begin = good - span
        if good < observed.time - span:  # what lies between is not good, and may be a year of it
            yield from _how_it_began(record, channel, begin)
            yield from all_readings(record, channel, begin, good + 1, PAGE)
            begin = observed.time - span
        yield from _how_it_began(record, channel, begin)
        yield from all_readings(record, channel, begin, observed.time + 1, PAGE)


def _how_it_began(record: Record, channel: str, begin: Micros) -> Sequence[Reading]:
    """Return what was said before `begin`, at least as far back as its newest good reading."""
    kept = record.span(channel)
    found: Sequence[Reading] = ()
    back = SECOND
    while kept is not None and kept[0] < begin:
        found = list(all_readings(record, channel, begin - back, begin, PAGE))
        good = any(reading.quality is Quality.GOOD for reading in found)
        if good or len(found) > MOST_BEFORE or begin - back <= kept[0]:
            break
        back *= 4
    return found
