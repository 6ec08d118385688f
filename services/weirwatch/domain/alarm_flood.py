"""An alarm flood: when too many annunciations come for one person to follow, and when it is over.

Counted are all annunciations in a sliding window, digested ones included. ISA-18.2 and EEMUA 191
take ten alarms in ten minutes for one operator as the mark (from memory).
"""

from dataclasses import dataclass, replace

from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.rule import Priority, Rule

WINDOW: Micros = 600 * SECOND
OPENS_ABOVE = 10
CLOSES_BELOW = 5


@dataclass(frozen=True, slots=True)
class Flood:
    """Annunciations of the last window, oldest first, and whether a flood is open."""

    times: tuple[Micros, ...] = ()
    open: bool = False


def annunciated(flood: Flood, time: Micros) -> Flood:
    """Return the flood after one more annunciation."""
    now = max(time, flood.times[-1]) if flood.times else time
    after = at(replace(flood, times=(*flood.times, now)), now)
    return replace(after, open=after.open or len(after.times) > OPENS_ABOVE)


def at(flood: Flood, now: Micros) -> Flood:
    """Return the flood as it is at this time."""
    times = tuple(time for time in flood.times if time > now - WINDOW)
    return Flood(times, flood.open and len(times) >= CLOSES_BELOW)


def closes_at(flood: Flood) -> Micros | None:
    """Return when an open flood ends if nothing more comes, or None."""
    if not flood.open:
        return None
    return flood.times[-CLOSES_BELOW] + WINDOW if len(flood.times) >= CLOSES_BELOW else 0


def told_singly(rule: Rule) -> bool:
    """Return whether an alarm is told by itself also in a flood."""
    return rule.bold or rule.priority in (Priority.HIGH, Priority.CRITICAL)
