"""The alarm engine: what does one stimulus change? Pure: values in, a decision out.

`decide` never changes the state; the caller adopts the decision with `adopt`. The same stimuli
in the same order give the same decisions, whatever the clock on the wall says.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf

from weirwatch.domain.alarm import Alarm
from weirwatch.domain.book import Book, Entry
from weirwatch.domain.conditions import present_now, shows_saturation
from weirwatch.domain.deadlines import LATE_AFTER, deadline_due, next_deadline
from weirwatch.domain.delays import count_deadline, count_ended, reconsider, step
from weirwatch.domain.hysteresis import quiet_bounds
from weirwatch.domain.instant import Micros
from weirwatch.domain.operator import Command, carry_out
from weirwatch.domain.reading import Quality, Reading
from weirwatch.domain.rule import BadMeasurement
from weirwatch.domain.state import Deadline, Decision, EngineState, Observed
from weirwatch.domain.turn import Turn


@dataclass(frozen=True, slots=True)
class ReadingSeen:
    """A reading arrived; `now` is its arrival."""

    reading: Reading
    now: Micros


@dataclass(frozen=True, slots=True)
class DeadlineDue:
    """A rule's deadline has come."""

    rule: str
    deadline: Deadline
    now: Micros


@dataclass(frozen=True, slots=True)
class ConditionObserved:
    """The service observed a built-in rule's condition; `message` None: it is absent."""

    rule: str
    message: str | None
    now: Micros


@dataclass(frozen=True, slots=True)
class LinkChanged:
    """The broker connection came or went."""

    up: bool
    now: Micros


@dataclass(frozen=True, slots=True)
class CommandGiven:
    """An operator gave a command."""

    command: Command
    now: Micros


Stimulus = ReadingSeen | DeadlineDue | ConditionObserved | LinkChanged | CommandGiven


def decide(state: EngineState, stimulus: Stimulus, book: Book) -> Decision:
    """Return what one stimulus changes.

    Raises:
        IllegalCommand, UnknownRule: for an operator's command only.
    """
    if isinstance(stimulus, ReadingSeen):
        return decide_reading(state, stimulus.reading, stimulus.now, book)
    turn = Turn(state, book, stimulus.now)
    match stimulus:
        case DeadlineDue(rule, deadline, _):
            deadline_due(turn, book.entries[rule], deadline)
        case ConditionObserved(rule, message, now):
            turn.set_condition(rule, message)
            reconsider(turn, book.entries[rule], now)
        case LinkChanged(up, now):
            turn.set_link(up, now)
            _forget_silence(turn, now)
        case CommandGiven(command, now):
            carry_out(turn, command, now)
    return turn.decision()


def decide_reading(state: EngineState, reading: Reading, now: Micros, book: Book) -> Decision:
    """Return what one judged reading changes.

    A reading at or before its channel's newest is history: it only shows that its probe lives.
    """
    channel, time = reading.channel, reading.time
    old = state.observed.get(channel)
    band = state.bands.get(channel)
    if (
        band is not None
        and old is not None
        and time > old.time
        and band[0] < reading.value < band[1]
        and reading.quality is Quality.GOOD
    ):
        return Decision((channel, _observe(old, reading, now)))
    own = book.own.get(channel, ())
    if old is not None and time <= old.time:
        turn = Turn(state, book, now)
        turn.observe(channel, old._replace(heard_at=now))
        _heard(turn, own, now)
        return turn.decision()
    turn = Turn(state, book, now, late=now - time > LATE_AFTER)
    for entry in own:
        _pass_deadlines(turn, entry, time)
    good = reading.quality is Quality.GOOD
    turn.observe(channel, _observe(old, reading, now))
    gap_before = old.good_time if good and old is not None else None
    for entry in own:
        alarm = turn.alarm(entry.rule.id)
        present = present_now(turn, entry, alarm.present, time)
        if (
            present is alarm.present
            and present is alarm.stands
            and alarm.count_since is None
            and alarm.hold_until is None
        ):
            continue  # nothing moves: the common case, kept cheap
        span = entry.silent_after
        gap = gap_before is not None and span is not None and time - gap_before > span
        fresh = good or (present and shows_saturation(turn, entry))
        step(turn, entry, present, time, fresh=fresh, gap=gap)
    for entry in book.watching.get(channel, ()):
        reconsider(turn, entry, time)
    return turn.decision()


def adopt(state: EngineState, decision: Decision, book: Book) -> None:
    """Take a decision over into the state and plan its rules' deadlines."""
    still = not decision.alarms and not decision.windows
    if still and not decision.conditions and decision.link is None:
        if decision.observed is not None:
            state.observed[decision.observed[0]] = decision.observed[1]
        if decision.boundary is not None:
            state.boundaries[decision.boundary[0]] = decision.boundary[1]
        return

    def plan(rule: str) -> None:
        _plan(state, book, book.entries[rule])

    state.adopt(decision, plan)


def due(state: EngineState, book: Book, now: Micros) -> Iterator[DeadlineDue]:
    """Yield deadlines up to and including `now`, in order; adopt each decision before the next."""
    while (planned := state.agenda.pop(now)) is not None:
        planned_for, rule = planned
        entry = book.entries[rule]
        deadline = next_deadline(Turn(state, book, now), entry)
        if deadline is None:
            continue
        if deadline.due <= planned_for:  # else it was planned too early: others come first
            yield DeadlineDue(rule, deadline, now)
        _plan(state, book, entry)


def next_call(state: EngineState) -> Micros | None:
    """Return when `due` wants to be called at the latest, or None."""
    return state.agenda.earliest()


def start(
    alarms: dict[str, Alarm],
    observed: dict[str, Observed],
    book: Book,
    now: Micros,
    *,
    link_up: bool,
) -> EngineState:
    """Return a state in which every rule of the book has an alarm and its deadlines planned."""
    complete = {rule: alarms.get(rule) or Alarm(rule) for rule in book.entries}
    state = EngineState(complete, observed, now, now if link_up else None)
    for channel in book.channels:
        _band(state, book, channel)
    for entry in book.entries.values():
        _plan(state, book, entry)
    return state


def _band(state: EngineState, book: Book, channel: str) -> None:
    """Note between which values a good reading of the channel moves nothing at all."""
    low, high = -inf, inf
    for entry in book.own.get(channel, ()):
        alarm, bounds = state.alarms[entry.rule.id], quiet_bounds(entry.rule.condition)
        moving = alarm.present or alarm.stands or alarm.count_since is not None
        if bounds is None or moving:
            state.bands.pop(channel, None)
            return
        low, high = max(low, bounds[0]), min(high, bounds[1])
    if channel in book.watching:
        state.bands.pop(channel, None)
    else:
        state.bands[channel] = (low, high)


def _plan(state: EngineState, book: Book, entry: Entry) -> None:
    if entry.rule.channel is not None:
        _band(state, book, entry.rule.channel)
    deadline = next_deadline(Turn(state, book, state.started_at), entry)
    state.agenda.plan(entry.rule.id, entry.rank, None if deadline is None else deadline.due)


def _observe(old: Observed | None, reading: Reading, now: Micros) -> Observed:
    channel_time, value = reading.time, reading.value
    good = reading.quality is Quality.GOOD
    same = old is not None and old.value == value
    return Observed(
        channel_time,
        value,
        reading.quality,
        reading.reason,
        now,
        channel_time if good else (old.good_time if old is not None else None),
        value if good else (old.good_value if old is not None else None),
        old.changed_at if same and old is not None else channel_time,
    )


def _pass_deadlines(turn: Turn, entry: Entry, time: Micros) -> None:
    """Let a delay end whose deadline lies at or before this reading's own time."""
    alarm = turn.alarm(entry.rule.id)
    if alarm.count_since is None:
        return
    ends = count_deadline(entry, alarm)
    if ends is not None and ends <= time:
        count_ended(turn, entry, ends)


def _forget_silence(turn: Turn, now: Micros) -> None:
    """Silence is counted from the reconnection on, so a delay that was running is void."""
    for entry in turn.book.entries.values():
        alarm, condition = turn.alarm(entry.rule.id), entry.rule.condition
        silent = isinstance(condition, BadMeasurement) and condition.silent
        if silent and alarm.present and not alarm.stands:
            reconsider(turn, entry, now)


def _heard(turn: Turn, own: tuple[Entry, ...], now: Micros) -> None:
    for entry in own:
        if isinstance(entry.rule.condition, BadMeasurement):
            reconsider(turn, entry, now)
