"""The one queue into the loop: messages, commands, conditions, in order of arrival."""

import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any

from weirwatch.domain.errors import TransientError
from weirwatch.domain.instant import Micros
from weirwatch.domain.keeper_log import Correction
from weirwatch.domain.state import EngineState
from weirwatch.pipeline.past import PastRequest
from weirwatch.pipeline.work_desk import WorkRequest
from weirwatch.ports import Command, Notice, WireMessage

MOST_WAITING = 50_000  # items; beyond, messages at QoS 0 are dropped


@dataclass(frozen=True, slots=True)
class CommandRequest:
    """An operator's command and who waits for it; answered once it is durable."""

    command: Command
    answer: "Future[dict[str, Any]]" = field(default_factory=Future)


@dataclass(frozen=True, slots=True)
class Question:
    """Something to be read from the engine's state by the loop's own thread; changes nothing."""

    ask: "Callable[[EngineState, Micros], dict[str, Any]]"
    answer: "Future[dict[str, Any]]" = field(default_factory=Future)


@dataclass(frozen=True, slots=True)
class ConditionRequest:
    """A built-in rule's condition as somebody observed it; None: absent."""

    rule: str
    message: str | None


@dataclass(frozen=True, slots=True)
class LinkRequest:
    """The broker connection came or went."""

    up: bool


@dataclass(frozen=True, slots=True)
class ServiceEventRequest:
    """Something that happened to the service itself, for the record.

    Attributes:
        write: returns the notices that tell of it, given the event's sequence number and the time.
        drill: it is about a drill.
    """

    kind: str
    message: str
    write: "Callable[[int, Micros], Sequence[Notice]] | None" = None
    drill: bool = False


@dataclass(frozen=True, slots=True)
class CalibrationRequest:
    """A calibration was stored: it applies to the channel's readings from its start on."""

    channel: str
    correction: Correction


@dataclass(frozen=True, slots=True)
class HandTestRequest:
    """A hand test was stored: system → quantity → its newest value in the log's unit."""

    tests: Mapping[str, Mapping[str, float]]


Request = (
    CommandRequest
    | ConditionRequest
    | LinkRequest
    | ServiceEventRequest
    | CalibrationRequest
    | HandTestRequest
    | WorkRequest
)
Item = WireMessage | PastRequest | Request


class Inbox:
    """Thread-safe; `put` never blocks.

    The broker's in-flight window bounds what comes at QoS 1. Nothing bounds what comes at QoS 0:
    while nothing can be stored, what does not fit is dropped and counted.

    Attributes:
        dropped: messages at QoS 0 that did not fit.
    """

    def __init__(self) -> None:
        self.dropped = 0
        self._items: deque[Item] = deque()
        self._questions: deque[Question] = deque()
        self._news = threading.Event()

    def put(self, item: Item) -> None:
        """Append an item and wake the loop."""
        if (
            len(self._items) >= MOST_WAITING and isinstance(item, WireMessage) and item.qos == 0
        ):  # without an acknowledgement its sender does not wait for us
            self.dropped += 1
            return
        self._items.append(item)
        if not self._news.is_set():
            self._news.set()

    def ask(self, question: Question) -> None:
        """Put a question before everything that waits, and wake the loop."""
        self._questions.append(question)
        self._news.set()

    def questions(self) -> list[Question]:
        """Return the questions that wait."""
        taken: list[Question] = []
        while self._questions:
            taken.append(self._questions.popleft())
        return taken

    def wake(self) -> None:
        """Wake the loop without an item."""
        self._news.set()

    def drain(self, limit: int) -> list[Item]:
        """Return up to `limit` items in order of arrival."""
        taken: list[Item] = []
        while self._items and len(taken) < limit:
            taken.append(self._items.popleft())
        return taken

    def wait(self, seconds: float, *, for_items: bool = True) -> None:
        """Wait until there is something, or for `seconds`.

        Args:
            seconds: real, at most.
            for_items: False: items that wait already may wait on; questions and a wake end it.
        """
        if not self._questions and not (for_items and self._items):
            self._news.wait(seconds)
        self._news.clear()

    def __len__(self) -> int:
        return len(self._items)


def told(question: Question, seconds: float) -> dict[str, Any]:
    """Return the answer to a question, or raise what came of it.

    Raises:
        TransientError: the loop did not come to it within `seconds`.
    """
    try:
        return question.answer.result(seconds)
    except TimeoutError as late:
        raise TransientError("the core is busy: ask again") from late


def answered(request: CommandRequest, seconds: float) -> dict[str, Any]:
    """Return a command's answer once it is durable, or raise what refused it.

    Raises:
        IllegalCommand, UnknownRule: refused.
        TransientError: not durable within `seconds`; it may still become so.
    """
    try:
        return request.answer.result(seconds)
    except TimeoutError as late:
        raise TransientError("the command is not durable yet: look at the alarm again") from late
