"""Where a drill gets its plant from: a port, so that no drill depends on a particular simulator."""

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple, Protocol

from weirwatch.domain.instant import Micros


class Moment(NamedTuple):
    """One moment of a play.

    Attributes:
        time: plant time; it never goes back.
        link_up: whether the service has its broker.
        messages: (topic, payload) that arrive now, in order.
    """

    time: Micros
    link_up: bool
    messages: Sequence[tuple[str, bytes]]


class HarmBegins(NamedTuple):
    """When harm begins, by the plant's true state.

    Attributes:
        at: may lie ahead: then it begins if nothing changes.
        says: what the harm is.
        source: of its threshold.
    """

    at: Micros
    says: str
    source: str


class Play(Protocol):
    """One play of one failure, in virtual time."""

    @property
    def says(self) -> str:
        """What happens, in a sentence."""
        ...

    @property
    def start(self) -> Micros:
        """When it starts, with everything well."""
        ...

    @property
    def begins(self) -> Micros:
        """When the failure begins."""
        ...

    @property
    def until(self) -> Micros:
        """When it ends at the latest."""
        ...

    @property
    def settled(self) -> Micros:
        """From when on nothing more is done to the plant, so that a coming harm is certain."""
        ...

    @property
    def every(self) -> Micros | None:
        """The nodes' common sampling interval, if it is not their own: a slow play is coarser."""
        ...

    @property
    def harm(self) -> HarmBegins | None:
        """The first harm that has begun or is coming, as far as the play has gone."""
        ...

    def moments(self) -> Iterator[Moment]:
        """Yield one moment after another; once only."""
        ...


class PlantSource(Protocol):
    """A plant on which failures can be played. Nothing in it is real."""

    def can_play(self) -> Sequence[str]:
        """Return the ids of the failures that its physics can show."""
        ...

    def cannot_play(self) -> Mapping[str, str]:
        """Return failure → why, for those it knows that it cannot show."""
        ...

    def unfed(self) -> Sequence[str]:
        """Return the configured channels that it has no probe for."""
        ...

    def play(self, failure: str, run: int, seed: int) -> Play:
        """Return a failure's play; run 0 is nominal, others are drawn by the seed."""
        ...

    def ordinary(self, days: float, run: int, seed: int, every_s: float | None = None) -> Play:
        """Return ordinary life: nothing fails; `every_s`: sampled so often instead."""
        ...
