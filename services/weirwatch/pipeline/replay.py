"""Virtual time: the real engine over recorded readings and commands, with no clock and no file.

Time runs over the union of readings, deadlines and commands. At one instant: deadlines first,
then readings in file order, then commands.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from weirwatch.domain.alarm import Event
from weirwatch.domain.book import Book
from weirwatch.domain.engine import (
    CommandGiven,
    adopt,
    decide,
    decide_reading,
    due,
    start,
)
from weirwatch.domain.errors import IllegalCommand, UnknownRule
from weirwatch.domain.instant import Micros
from weirwatch.domain.liveness import judge
from weirwatch.domain.operator import Command
from weirwatch.domain.reading import Reading
from weirwatch.domain.state import Decision, EngineState


@dataclass(frozen=True, slots=True)
class Refusal:
    """A command that the alarm's state did not allow; the run went on."""

    time: Micros
    sentence: str


def replay(
    book: Book,
    readings: Sequence[Reading],
    commands: Sequence[tuple[Micros, Command]],
    until: Micros | None,
) -> Iterator[Event | Refusal]:
    """Yield every transition in time order, and every refused command.

    Args:
        book: rules and channels.
        readings: in file order; any order of times and channels.
        commands: (time, command) in file order.
        until: end, deadlines up to and including it done; None: the last row's time.
    """
    steps = _steps(readings, commands, until)
    if not steps:
        return
    end = until if until is not None else steps[-1][0]
    yield from _run(book, steps, steps[0][0], end)


def replay_in_order(
    book: Book, readings: Iterable[Reading], begin: Micros, end: Micros
) -> Iterator[Event]:
    """Yield every transition of readings that come in time order, none kept in memory.

    Args:
        book: rules and channels.
        readings: of `[begin, end)`, in time order over all channels.
        begin: virtual time starts here.
        end: deadlines up to and including it are done.
    """
    steps = ((reading.time, 0, reading) for reading in readings)
    for found in _run(book, steps, begin, end):
        if isinstance(found, Event):  # without commands nothing is refused
            yield found


def _run(
    book: Book, steps: Iterable[tuple[Micros, int, Reading | Command]], begin: Micros, end: Micros
) -> Iterator[Event | Refusal]:
    state = start({}, {}, book, begin, link_up=True)

    def settle(decision: Decision) -> tuple[Event, ...]:
        adopt(state, decision, book)
        return decision.events

    for time, _, step in steps:
        for stimulus in due(state, book, time):
            yield from settle(decide(state, stimulus, book))
        try:
            decision = _decide_step(state, step, time, book)
        except (IllegalCommand, UnknownRule) as refusal:
            yield Refusal(time, str(refusal))
        else:
            yield from settle(decision)
    for stimulus in due(state, book, end):
        yield from settle(decide(state, stimulus, book))


def _decide_step(state: EngineState, step: Reading | Command, time: Micros, book: Book) -> Decision:
    if isinstance(step, Reading):
        judged = judge(book.channels[step.channel], step, before=state.observed.get(step.channel))
        return decide_reading(state, judged, time, book)
    return decide(state, CommandGiven(step, time), book)


def _steps(
    readings: Sequence[Reading],
    commands: Sequence[tuple[Micros, Command]],
    until: Micros | None,
) -> list[tuple[Micros, int, Reading | Command]]:
    steps: list[tuple[Micros, int, Reading | Command]] = [(r.time, 0, r) for r in readings]
    steps += [(time, 1, command) for time, command in commands]
    steps = [step for step in steps if until is None or step[0] <= until]
    steps.sort(key=lambda step: step[:2])  # stable: file order within one instant
    return steps
