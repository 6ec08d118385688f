"""What rules know of the past after a start: history is fed to them, nothing is decided.

A frozen probe, a trend, a duty are judged over a span. That memory is not stored with the
alarms; it is read back from the record, so that a restart forgets nothing of it.
"""

from collections.abc import Iterable, Iterator, Mapping

from weirwatch.domain.book import Book, Entry, has_boundaries
from weirwatch.domain.duty import DutyWindow
from weirwatch.domain.engine import plan
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.liveness import silence_between
from weirwatch.domain.reading import Quality, Reading
from weirwatch.domain.rule import (
    AlarmStands,
    BadMeasurement,
    ChannelBeyond,
    ChannelIs,
    Duty,
    Forecast,
    RateOfChange,
    Rule,
)
from weirwatch.domain.state import EngineState
from weirwatch.domain.windows import Window


def refill_spans(book: Book) -> Mapping[str, Micros]:
    """Return which channels `refill` wants to see, and how far back from their newest reading."""
    found: dict[str, Micros] = {}
    for entry in book.entries.values():
        span = span_of(entry.rule)
        if entry.rule.channel is not None and span:
            found[entry.rule.channel] = max(span, found.get(entry.rule.channel, 0))
    for channel in book.channels.values():
        if channel.frozen_after is not None:
            found[channel.id] = max(channel.frozen_after, found.get(channel.id, 0))
    return found


def refill(state: EngineState, book: Book, readings: Iterable[Reading]) -> None:
    """Feed recorded readings to the rules that look back; call once, right after `start`.

    Args:
        state: as `start` returned it.
        book: the rules.
        readings: as recorded with their quality, each channel's own in time order, up to its
            newest. Channels that no rule looks back on are passed over. The newest good reading
            before the span says how it began; more of the past does no harm.
    """
    wanted = refill_spans(book)
    since: dict[str, tuple[float, Micros]] = {}
    newest: dict[str, Micros] = {}
    for reading in readings:
        if reading.channel not in wanted:
            continue
        before = since.get(reading.channel)
        last = newest.get(reading.channel, reading.time)
        silence = silence_between(book.channels[reading.channel], last, reading.time)
        if before is None or before[0] != reading.value:
            since[reading.channel] = (reading.value, reading.time)
        elif silence:
            since[reading.channel] = (reading.value, before[1] + silence)
        newest[reading.channel] = reading.time
        if reading.quality is Quality.GOOD:
            _look_back(state, book, reading)
    _same_since(state, since)
    for entry in book.entries.values():
        if entry.timed:
            _as_left(state, entry)
            plan(state, book, entry)


def _same_since(state: EngineState, since: Mapping[str, tuple[float, Micros]]) -> None:
    for channel, (value, time) in since.items():
        observed = state.observed.get(channel)
        if observed is not None and observed.value == value:
            changed_at = min(time, observed.changed_at)
            state.observed[channel] = observed._replace(changed_at=changed_at)


def _as_left(state: EngineState, entry: Entry) -> None:
    """Leave a duty's window as it was at the stop.

    A switch that said nothing for longer than the span is as it said last. What the rule was
    looked at for in the last run (its own channel, its `while`) was judged then.
    """
    window: Window | None = state.windows.get(entry.window)
    if not isinstance(window, DutyWindow):
        return
    observed = state.observed.get(entry.rule.channel or "")
    if observed is not None and observed.good_time is not None and window.newest is None:
        window = window.after(observed.good_time, observed.good_value or 0.0)
    if has_boundaries(entry.rule):  # looked at as it starts, and the last run's looks are not known
        judged = state.started_at
    else:
        judged = max(_looks(state, entry), default=0)
    state.windows[entry.window] = window.judged_at(judged)


def _looks(state: EngineState, entry: Entry) -> Iterator[Micros]:
    """Yield when what the rule depends on last changed."""
    channels = [t.channel for t in entry.rule.while_ if isinstance(t, ChannelIs | ChannelBeyond)]
    for channel in (entry.rule.channel or "", *channels):
        if channel in state.observed:
            yield state.observed[channel].time
    for term in entry.rule.while_:
        if isinstance(term, AlarmStands):
            alarm = state.alarms[term.rule]
            yield from (t for t in (alarm.raised_at, alarm.returned_at) if t is not None)


def _look_back(state: EngineState, book: Book, reading: Reading) -> None:
    for entry in book.own.get(reading.channel, ()):
        if not entry.looks_back:
            continue
        window: Window = state.windows[entry.window]
        if window.newest is None or reading.time > window.newest:
            state.windows[entry.window] = window.after(reading.time, reading.value)


def span_of(rule: Rule) -> Micros:
    """Return how far a rule looks back; 0: not at all."""
    match rule.condition:
        case BadMeasurement(frozen=frozen):
            return frozen or 0
        case RateOfChange(window) | Forecast(window=window):
            return window + SECOND
        case Duty(window):
            return window
        case _:
            return 0
