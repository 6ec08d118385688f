"""What a server tells of buckets, series by series, put together bucket by bucket."""

from collections.abc import Iterable
from typing import NamedTuple

from weirwatch.domain.instant import Micros
from weirwatch.store.block import HOUR
from weirwatch.store.series import Piece, joined

WORDS = ("count", "min", "max", "sum", "first", "last")


class Told(NamedTuple):
    """One number of one bucket of one series.

    Attributes:
        series: a channel's readings of one quality and reason are one.
        place: the bucket's number on the grid.
        word: one of `WORDS`.
        time: when it was, of `first` and `last`.
    """

    series: tuple[str, ...]
    place: int
    word: str
    value: float
    time: Micros | None


def pieces_of_told(rows: Iterable[Told]) -> list[Piece]:
    """Return one piece a bucket; which of its series began and ended it, the times tell."""
    by_place: dict[tuple[tuple[str, ...], int], dict[str, Told]] = {}
    for row in rows:
        by_place.setdefault((row.series, row.place), {})[row.word] = row
    pieces = [
        Piece(
            place,
            own["first"].time or 0,
            own["last"].time or 0,
            round(own["count"].value),
            *(own[word].value for word in ("min", "max", "sum", "first", "last")),
        )
        for (_, place), own in by_place.items()
        if len(own) == len(WORDS)
    ]
    return [
        piece._replace(since=piece.since // HOUR, until=piece.until // HOUR)
        for piece in joined(pieces)
    ]
