"""At which time does what was seen count for a rule?

At its own time, and never before what the rule has already been judged by: a reading that comes
late undoes neither an alarm's last transition nor a time of day that has been dealt with.
"""

from weirwatch.domain.book import Entry, has_boundaries
from weirwatch.domain.daytime import next_boundary
from weirwatch.domain.instant import Micros
from weirwatch.domain.rule import Between
from weirwatch.domain.turn import Turn


def counts_at(turn: Turn, entry: Entry, time: Micros, *, outside: bool = False) -> Micros:
    """Return when evidence of `time` counts for the rule.

    Args:
        turn: the stimulus being decided.
        entry: the rule.
        time: the evidence's own time.
        outside: it is news of another channel, or of another alarm. What comes late of that cannot
            begin a delay before what the rule's own channel said meanwhile.
    """
    if entry.by_arrival or entry.rule.channel is None:
        return turn.clock  # what the service itself observes has the service's time
    time = max(time, turn.alarm(entry.rule.id).moved_at)
    if outside:
        observed = turn.observed(entry.rule.channel)
        time = time if observed is None else max(time, observed.time)
    if entry.by_clock and has_boundaries(entry.rule):
        return last_boundary(turn, entry, time)
    return time


def last_boundary(turn: Turn, entry: Entry, time: Micros) -> Micros:
    """Return the last boundary after `time` that has been dealt with, or `time`."""
    done = turn.state.boundaries.get(entry.rule.id)  # a start counts as one
    terms = [term for term in entry.rule.while_ if isinstance(term, Between)]
    while done is not None and time < done:
        following = min(next_boundary(term, time, turn.book.time_zone) for term in terms)
        if following > done:
            break
        time = following
    return time
