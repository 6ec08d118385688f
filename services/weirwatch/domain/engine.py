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
from weirwatch.domain.deadlines import LATE_AFTER, deadline_due, next_deadline, own_deadlines
from weirwatch.domain.delays import reconsider, step
from weirwatch.domain.evidence import counts_at
from weirwatch.domain.hysteresis import quiet_bounds
from weirwatch.domain.instant import Micros
from weirwatch.domain.liveness import silence_between
from weirwatch.domain.operator import Command, carry_out
from weirwatch.domain.reading import Channel, Quality, Reading
from weirwatch.domain.state import Deadline, Decision, EngineState, Observed
from weirwatch.domain.turn import Turn
from weirwatch.domain.windows import empty_window

_new = tuple.__new__  # half the time of the named constructor, once for every reading


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
            turn.late, turn.clock = deadline.late, deadline.due
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


def may_move(state: EngineState, rule: str, message: str | None) -> bool:
    """Return whether observing a built-in rule's condition could change anything.

    A delay that was running when the service stopped starts again at the first look after it.
    """
    alarm, present = state.alarms[rule], message is not None
    pending = alarm.present is not alarm.stands and alarm.count_since is None
    return pending or message != state.conditions.get(rule) or alarm.present is not present


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
        return Decision((channel, _observe(old, reading, now, book.channels[channel])))
    own = book.own.get(channel, ())
    if old is not None and time <= old.time:
        turn = Turn(state, book, now)
        turn.observe(channel, old._replace(heard_at=now))
        _heard(turn, own, now)
        return turn.decision()
    turn = Turn(state, book, now, late=now - time > LATE_AFTER)
    _what_was_due(turn, own, time, 0 if old is None else old.lag)
    good = reading.quality is Quality.GOOD
    turn.observe(channel, _observe(old, reading, now, book.channels[channel]))
    gap_before = old.good_time if good and old is not None else None
    for entry in own:
        alarm = turn.alarm(entry.rule.id)
        on_time = alarm.moved_at <= time and not (entry.by_arrival or entry.by_clock)
        at = time if on_time else counts_at(turn, entry, time)
        present = present_now(turn, entry, alarm.present, at)
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
        step(turn, entry, present, at, fresh=fresh, gap=gap)
    for entry in book.watching.get(channel, ()):
        reconsider(turn, entry, time)
    return turn.decision()


def adopt(state: EngineState, decision: Decision, book: Book) -> None:
    """Take a decision over into the state and plan its rules' deadlines."""
    observed, alarms, _, conditions, link, boundary, plans, windows = decision
    if not (alarms or conditions or plans or windows) and link is None:
        if observed is not None:
            state.observed[observed[0]] = observed[1]
        if boundary is not None:
            state.boundaries[boundary[0]] = boundary[1]
        return

    def planned(rule: str) -> None:
        plan(state, book, book.entries[rule])

    state.adopt(decision, planned)


def due(state: EngineState, book: Book, now: Micros) -> Iterator[DeadlineDue]:
    """Yield deadlines up to and including `now`, in order; adopt each decision before the next."""
    while (planned := state.agenda.pop(now)) is not None:
        planned_for, rule = planned
        entry = book.entries[rule]
        deadline = next_deadline(Turn(state, book, now), entry)
        if deadline is None:
            continue
        if deadline.due > planned_for:  # it was planned too early: others come first
            state.agenda.plan(rule, entry.rank, deadline.due)
            continue
        yield DeadlineDue(rule, deadline, now)
        plan(state, book, entry)


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
        window = empty_window(entry)
        if window is not None:
            state.windows[entry.window] = window
        plan(state, book, entry)
    return state


def plan(state: EngineState, book: Book, entry: Entry) -> None:
    """Plan the rule's next deadline, and note whether its channel may pass quietly."""
    if entry.rule.channel is not None:
        _band(state, book, entry.rule.channel)
    deadline = next_deadline(Turn(state, book, state.started_at), entry)
    state.agenda.plan(entry.rule.id, entry.rank, None if deadline is None else deadline.due)


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
    if channel not in book.watching:
        state.bands[channel] = (low, high)


def _observe(old: Observed | None, reading: Reading, now: Micros, channel: Channel) -> Observed:
    channel_time, value = reading.time, reading.value
    good = reading.quality is Quality.GOOD
    changed_at = channel_time
    if old is not None and old.value == value:
        changed_at = old.changed_at + silence_between(channel, old.time, channel_time)
    return _new(
        Observed,
        (
            channel_time,
            value,
            reading.quality,
            reading.reason,
            now,
            channel_time if good else (old.good_time if old is not None else None),
            value if good else (old.good_value if old is not None else None),
            changed_at,
            now - channel_time,
        ),
    )


def _what_was_due(turn: Turn, own: tuple[Entry, ...], time: Micros, lag: Micros) -> None:
    """Do what was due on this channel before the reading; plan sooner what waits for such as it."""
    waiting = [e for e in own if e.timed or turn.alarm(e.rule.id).count_since is not None]
    if waiting:
        _pass_deadlines(turn, own, time)
        if turn.now - time < lag:  # they arrive with less delay than before: so do its deadlines
            for entry in waiting:
                turn.plan(entry.rule.id)


def _pass_deadlines(turn: Turn, own: tuple[Entry, ...], time: Micros) -> None:
    """Do what was due on this channel at or before the reading's own time, in order."""

    def passed() -> Iterator[tuple[Micros, int, str, Deadline]]:
        for entry in own:  # all of them: what one does may make another wait
            for deadline in own_deadlines(turn, entry):
                if deadline.at <= (turn.now if entry.by_arrival else time):
                    yield deadline.at, entry.rank, entry.rule.id, deadline

    late = turn.late
    while (first := min(passed(), default=None)) is not None:
        turn.late = first[3].late  # what came of a backlog waits, though it ends with this reading
        deadline_due(turn, turn.book.entries[first[2]], first[3])
    turn.late = late


def _forget_silence(turn: Turn, now: Micros) -> None:
    """Silence is counted from the reconnection on, so a delay that was running is void."""
    for entry in turn.book.entries.values():
        alarm = turn.alarm(entry.rule.id)
        if entry.by_arrival and alarm.present and not alarm.stands:
            reconsider(turn, entry, now)


def _heard(turn: Turn, own: tuple[Entry, ...], now: Micros) -> None:
    for entry in own:
        if entry.by_arrival:
            reconsider(turn, entry, now)
