"""Readings of a channel, page after page: a record may hold years of them."""

from collections.abc import Iterator, Sequence
from typing import Protocol

from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Reading


class Paged(Protocol):
    """The part of `ports.Archive` that is read here."""

    def readings(
        self, channel: str, start: Micros, end: Micros, after: Micros | None, limit: int
    ) -> Sequence[Reading]:
        """Return readings of `[start, end)` in time order, later than `after`, at most `limit`."""
        ...


def all_readings(
    record: Paged, channel: str, start: Micros, end: Micros, page: int
) -> Iterator[Reading]:
    """Yield the readings of `[start, end)` in time order, asked for `page` at once.

    A short page is not taken for the last one: a history server may tell one time twice.

    Raises:
        KeyError: there is no such channel in the record.
    """
    after: Micros | None = None
    while found := record.readings(channel, start, end, after, page):
        yield from found
        after = found[-1].time
