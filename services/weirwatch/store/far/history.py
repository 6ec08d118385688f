"""What a history on a server must do."""

from collections.abc import Mapping, Sequence
from typing import Protocol

from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Reading
from weirwatch.store.series import Grid, Piece


class FarHistory(Protocol):
    """A server that keeps readings. Safe from several threads.

    Every method raises:
        TransientError: it does not answer, or refuses whoever asks; later it may.
        PermanentError: it refuses what was asked.

    Attributes:
        name: for people.
        resolution: times are kept in whole multiples of this.
    """

    name: str
    resolution: Micros

    def write(self, readings: Sequence[Reading], units: Mapping[str, str]) -> None:
        """Store readings, each of its channel's unit; on return the server has taken them.

        Raises:
            PermanentError: one of them at least was refused; none or some may be stored.
        """
        ...

    def settle(self) -> None:
        """Make what was written visible to questions, where the server can be asked to."""
        ...

    def readings(self, channel: str, start: Micros, end: Micros, limit: int) -> list[Reading]:
        """Return the first readings of `[start, end)` in time order, one at each time."""
        ...

    def pieces(self, channel: str, grid: Grid, first: int, end: int) -> list[Piece]:
        """Return what is in the whole buckets number `first` up to, not including, `end`.

        Bad readings do not count; buckets without any are left out.
        """
        ...

    def close(self) -> None:
        """Release what it holds; idempotent."""
        ...
