"""When does a present condition raise, and an absent one return? On- and off-delays.

A delay ends at `t_present + delay` exactly, as a deadline. It is void when the gap between
good readings, or the age of the newest one at the deadline, exceeded the channel's
`silent_after`; it then starts again at the next good reading. Bold failures fail to alarm:
their running on-delay is not voided but raises with "measurement lost".
"""

from dataclasses import replace

from weirwatch.domain.alarm import Alarm
from weirwatch.domain.book import Entry
from weirwatch.domain.conditions import present_now
from weirwatch.domain.evidence import counts_at
from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Quality
from weirwatch.domain.transitions import (
    announce_if_owed,
    raise_alarm,
    return_alarm,
)
from weirwatch.domain.turn import Turn


def reconsider(turn: Turn, entry: Entry, time: Micros) -> None:
    """Re-evaluate a rule without a reading of its own: `while`, twin, deadline, built-in."""
    time = counts_at(turn, entry, time, outside=True)
    present = present_now(turn, entry, turn.alarm(entry.rule.id).present, time)
    step(turn, entry, present, time)
    if entry.timed:
        turn.plan(entry.rule.id)


def start_again(turn: Turn, entry: Entry, time: Micros) -> None:
    """Start an on-delay again that was running when the service stopped, without a new reading."""
    present = present_now(turn, entry, turn.alarm(entry.rule.id).present, time)
    step(turn, entry, present, time, fresh=True)


def step(
    turn: Turn, entry: Entry, present: bool, time: Micros, *, fresh: bool = False, gap: bool = False
) -> None:
    """Carry the rule's delays on to `time`, given whether its condition is present.

    Args:
        turn: the stimulus being decided.
        entry: the rule.
        present: after hysteresis and `while`.
        time: engine time of the evidence.
        fresh: the evidence is a good reading of the rule's own channel.
        gap: and it came more than `silent_after` after the good one before.
    """
    alarm = turn.alarm(entry.rule.id)
    if present is alarm.stands:
        _settle(turn, entry, alarm, present, time, fresh=fresh)
        return
    since = _count_since(entry, alarm, present, time, fresh=fresh, gap=gap)
    if present is not alarm.present or since != alarm.count_since:
        turn.put(replace(alarm, present=present, count_since=since))
    delay = entry.on_delay if present else entry.rule.off_delay
    if since is not None and delay == 0:
        _finish(turn, entry, present, time, lost=False)


def count_deadline(entry: Entry, alarm: Alarm) -> Micros | None:
    """Return when the running delay ends, in the time of the rule's channel, or None."""
    if alarm.count_since is None:
        return None
    return alarm.count_since + (entry.on_delay if alarm.present else entry.rule.off_delay)


def count_ended(turn: Turn, entry: Entry, deadline: Micros) -> None:
    """Raise or return at the deadline of a running delay, or void it."""
    alarm = turn.alarm(entry.rule.id)
    stale, bad = _measurement(turn, entry, deadline)
    if stale and not (alarm.present and entry.rule.bold):
        turn.put(replace(alarm, count_since=None))
        return
    lost = alarm.present and entry.rule.bold and (stale or bad)
    _finish(turn, entry, alarm.present, deadline, lost=lost)


def _settle(
    turn: Turn, entry: Entry, alarm: Alarm, present: bool, time: Micros, *, fresh: bool
) -> None:
    if alarm.present is not present or alarm.count_since is not None:
        alarm = replace(alarm, present=present, count_since=None)
        turn.put(alarm)
    if alarm.hold_until is not None and fresh and not turn.late:
        after, owed = announce_if_owed(alarm)  # the backlog has caught up and it still stands
        if owed:
            turn.record(entry, alarm, after, time, "announced", annunciated=True)


def _count_since(
    entry: Entry, alarm: Alarm, present: bool, time: Micros, *, fresh: bool, gap: bool
) -> Micros | None:
    if present is not alarm.present:
        return time
    if alarm.count_since is None:
        return time if fresh or entry.exempt else None
    if gap and not entry.exempt and not (present and entry.rule.bold):
        return time
    return alarm.count_since


def _measurement(turn: Turn, entry: Entry, deadline: Micros) -> tuple[bool, bool]:
    """Return whether the newest good reading is too old at the deadline, and the newest bad."""
    if entry.exempt or entry.rule.channel is None:
        return False, False
    observed = turn.observed(entry.rule.channel)
    bad = observed is not None and observed.quality is Quality.BAD
    if entry.silent_after is None:
        return False, bad
    if observed is None or observed.good_time is None:
        return True, bad
    return deadline - observed.good_time > entry.silent_after, bad


def _finish(turn: Turn, entry: Entry, present: bool, time: Micros, *, lost: bool) -> None:
    if present:
        raise_alarm(turn, entry, time, reconsider, lost=lost)
    else:
        return_alarm(turn, entry, time, reconsider)
