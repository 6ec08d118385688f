"""The engine driven step by step, with restarts as a loss of power makes them."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from weirwatch.domain.alarm import Event
from weirwatch.domain.book import Book, rule_mark
from weirwatch.domain.engine import (
    CommandGiven,
    LinkChanged,
    adopt,
    decide,
    decide_reading,
    due,
    plan,
    start,
)
from weirwatch.domain.errors import IllegalCommand, UnknownRule
from weirwatch.domain.liveness import judge
from weirwatch.domain.operator import Command
from weirwatch.domain.reading import Quality, Reading
from weirwatch.domain.refill import refill
from weirwatch.domain.restore import resume
from weirwatch.domain.state import Decision, EngineState, Observed


@dataclass
class EngineRun:
    """Feed it in time order: `advance`, then readings and commands of that instant.

    Attributes:
        bands: whether quiet readings may pass without a look at their rules.
        readings: as judged, all that were accepted into the history.
    """

    book: Book
    now: int
    bands: bool = True
    events: list[Event] = field(default_factory=list)
    refused: list[int] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    state: EngineState = field(init=False)

    def __post_init__(self) -> None:
        self.state = start({}, {}, self.book, self.now, link_up=True)
        self._deadlines()

    def advance(self, time: int) -> None:
        self.now = time
        self._deadlines()

    def reading(self, reading: Reading) -> None:
        judged = judge(
            self.book.channels[reading.channel],
            reading,
            before=self.state.observed.get(reading.channel),
        )
        if not self.bands:
            self.state.bands.clear()
        self._adopt(decide_reading(self.state, judged, self.now, self.book))
        if not any(r.channel == judged.channel and r.time >= judged.time for r in self.readings):
            self.readings.append(judged)

    def command(self, command: Command) -> None:
        try:
            decision = decide(self.state, CommandGiven(command, self.now), self.book)
        except (IllegalCommand, UnknownRule):
            self.refused.append(self.now)
        else:
            self._adopt(decision)

    def link(self, up: bool) -> None:
        self._adopt(decide(self.state, LinkChanged(up, self.now), self.book))

    def restart(self, at: int) -> None:
        """Lose the power now and come back at `at`, from what was stored."""
        self.now = at
        marks = {rule: rule_mark(entry.rule) for rule, entry in self.book.entries.items()}
        resumed = resume(self.state.alarms, marks, self.book, at)
        assert not resumed.events
        alarms = dict(resumed.alarms)
        self.state = start(alarms, self._stored(), self.book, at, link_up=True)
        refill(self.state, self.book, self.readings)
        self._deadlines()

    def annunciations(self) -> list[tuple[int, str]]:
        return [(event.time, event.rule) for event in self.events if event.annunciated]

    def _stored(self) -> dict[str, Observed]:
        found = {}
        for channel in {reading.channel for reading in self.readings}:
            mine = [r for r in self.readings if r.channel == channel]
            good = [r for r in mine if r.quality is Quality.GOOD]
            newest = mine[-1]
            found[channel] = Observed(
                newest.time,
                newest.value,
                newest.quality,
                newest.reason,
                newest.time,
                good[-1].time if good else None,
                good[-1].value if good else None,
                newest.time,
            )
        return found

    def step(self, time: int) -> bool:
        """Do one deadline that is due by `time`; return whether there was one."""
        self.now = time
        stimulus = next(due(self.state, self.book, time), None)
        if stimulus is None:
            return False
        self._adopt(decide(self.state, stimulus, self.book))
        plan(self.state, self.book, self.book.entries[stimulus.rule])
        return True

    def _deadlines(self) -> None:
        for stimulus in due(self.state, self.book, self.now):
            self._adopt(decide(self.state, stimulus, self.book))

    def _adopt(self, decision: Decision) -> None:
        adopt(self.state, decision, self.book)
        self.events.extend(decision.events)


def feed(
    runs: Iterable[EngineRun],
    readings: Iterable[Reading],
    commands: Iterable[tuple[int, Command]],
    until: int,
) -> None:
    """At one instant deadlines, then readings, then commands: as a replay does."""
    steps: list[tuple[int, int, Reading | Command]] = [(r.time, 0, r) for r in readings]
    steps += [(time, 1, command) for time, command in commands]
    for time, _, step in sorted(steps, key=lambda s: s[:2]):
        for run in runs:
            run.advance(time)
            if isinstance(step, Reading):
                run.reading(step)
            else:
                run.command(step)
    for run in runs:
        run.advance(until)
