"""The ports of the running core for other processes, and of the ways out of the house."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any, Protocol

from weirwatch.domain.operator import Command
from weirwatch.ports.record import Notice


class Notifier(Protocol):
    """One way out of the house.

    `send` returns when the other side has taken the notice. It raises `TransientError` to be
    retried, `PermanentError` to be given up. It may see the same notice id again after a crash.
    """

    def send(self, notice: Notice) -> None:
        """Deliver one notice."""
        ...

    def close(self) -> None:
        """Release what it holds; idempotent."""
        ...


@dataclass(frozen=True, slots=True)
class SignOfLife:
    """One sign that the loop turns.

    Attributes:
        number: counts from 1 since the start, tries that failed too.
        every_s: real seconds after which the next is due.
        status: "ok" or "degraded", as in the health document.
    """

    number: int
    every_s: float
    status: str


class SignsOfLife(Protocol):
    """Where signs of life go."""

    def send(self, sign: SignOfLife) -> None:
        """Hand one over; raises `TransientError` if it was not taken."""
        ...


class Core(Protocol):
    """The running core as seen over the control socket.

    Raises `TransientError` when the core does not answer.
    """

    def command(self, command: Command) -> Mapping[str, Any]:
        """Carry out a command; return the alarm as JSON once it is durable.

        Raises `IllegalCommand` or `UnknownRule`.
        """
        ...

    def health(self) -> Mapping[str, Any]:
        """Return the health document."""
        ...

    def explain(self, rule: str) -> Mapping[str, Any]:
        """Return why the rule's alarm is in its state.

        Raises `UnknownRule`.
        """
        ...

    def work(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """List, start or end planned work; see `pipeline.work_desk`.

        Raises `UnknownWork` or `IllegalCommand`.
        """
        ...

    def listen(self) -> AbstractContextManager[Iterator[Mapping[str, Any]]]:
        """Yield messages: {"event": …}, {"readings": {channel: [time, value, quality]}}."""
        ...


class LogKeeper(Protocol):
    """The running core as whoever writes into the keeper's log sees it."""

    def log(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """Put entries into the log; see `pipeline.log_desk`.

        Raises `RefusedEntry`, or `TransientError` when the core does not answer.
        """
        ...


Publish = Callable[[Mapping[str, Any]], None]  # hands one message to every listener; never blocks
