"""The engine driven step by step, with restarts as a loss of power makes them."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from weirwatch.domain.alarm import Event
from weirwatch.domain.book import Book, rule_mark
from weirwatch.domain.engine import (
    CommandGiven,
    ConditionObserved,
    LinkChanged,
    adopt,
    decide,
    decide_reading,
    due,
    may_move,
    next_call,
    plan,
    start,
)
from weirwatch.domain.errors import IllegalCommand, UnknownRule
from weirwatch.domain.liveness import judge
from weirwatch.domain.operator import Command
from weirwatch.domain.reading import Quality, Reading
from weirwatch.domain.restore import resume
from weirwatch.domain.state import Decision, EngineState, Observed
from weirwatch.pipeline.looking_back import look_back

ENDLESS = 1000


@dataclass
class OnRecord:
    """Readings in time order, read as a start reads them from the store."""

    kept: list[Reading]

    def readings(
        self, channel: str, start: int, end: int, after: int | None, limit: int
    ) -> list[Reading]:
        found = [r for r in self.kept if r.channel == channel and start <= r.time < end]
        return [r for r in found if after is None or r.time > after][:limit]

    def span(self, channel: str) -> tuple[int, int] | None:
        times = [r.time for r in self.kept if r.channel == channel]
        return (times[0], times[-1]) if times else None


@dataclass
class EngineRun:
    """Feed it in time order: `advance`, then readings and commands of that instant.

    Attributes:
        bands: whether quiet readings may pass without a look at their rules.
        prompt: it is called whenever it wants to be, as the loop does; else at the next step.
        readings: as judged, all that were accepted into the history.
    """

    book: Book
    now: int
    bands: bool = True
    prompt: bool = False
    events: list[Event] = field(default_factory=list)
    refused: list[int] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    state: EngineState = field(init=False)

    def __post_init__(self) -> None:
        self.state = start({}, {}, self.book, self.now, link_up=True)
        self._deadlines()

    def advance(self, time: int) -> None:
        while self.prompt and (call := self.next_call() or time) < time:
            self.now = max(self.now, call)
            self.turn()
        self.now = time
        self.turn()

    def next_call(self) -> int | None:
        """When it wants to be called at the latest."""
        return next_call(self.state)

    def turn(self) -> None:
        """Do what is due now."""
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
        if not any(r[:2] == judged[:2] for r in self.readings):
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

    def observe(self, ident: str, present: bool) -> None:
        """Have the service observe the condition of a built-in rule, as the loop does."""
        message = ident if present else None
        if may_move(self.state, ident, message):
            self._adopt(decide(self.state, ConditionObserved(ident, message, self.now), self.book))

    def restart(self, at: int, told: Sequence[tuple[str, bool]] = ()) -> None:
        """Lose the power now and come back at `at`, from what was stored.

        `told`: what the service observes of itself as it starts, before anything is due.
        """
        self.now = at
        marks = {rule: rule_mark(entry.rule) for rule, entry in self.book.entries.items()}
        resumed = resume(self.state.alarms, marks, self.book, at)
        assert not resumed.events
        alarms = dict(resumed.alarms)
        self.state = start(alarms, self._stored(), self.book, at, link_up=True)
        look_back(self.state, self.book, OnRecord(self._record()))
        self.now = at - 1
        self._deadlines()
        self.now = at
        for ident, present in told:
            self.observe(ident, present)
        self._deadlines()

    def annunciations(self) -> list[tuple[int, str]]:
        return [(event.time, event.rule) for event in self.events if event.annunciated]

    def _record(self) -> list[Reading]:
        return sorted(self.readings, key=lambda r: r.time)

    def _stored(self) -> dict[str, Observed]:
        found = {}
        for channel in {reading.channel for reading in self.readings}:
            mine = [r for r in self._record() if r.channel == channel]
            good = [r for r in mine if r.quality is Quality.GOOD]
            newest = mine[-1]
            found[channel] = Observed(
                newest.time,
                newest.value,
                newest.quality,
                newest.reason,
                min(newest.time, self.now),
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
        for number, stimulus in enumerate(due(self.state, self.book, self.now)):
            assert number < ENDLESS, "the deadlines of one moment never end"
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
