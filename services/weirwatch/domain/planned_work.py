"""The home of planned work: a named set of alarms kept quiet together, and what must hold after.

A feeding pause, a water change, a probe in its cup: the keeper says once what is being done. The
alarms that it would ring are shelved until it has ended and settled; then a check says whether all
is back to normal. Bold failures are never among them.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from weirwatch.domain.book import Book
from weirwatch.domain.instant import Micros, seconds
from weirwatch.domain.reading import Channel
from weirwatch.domain.rule import ChannelBeyond, ChannelIs, Side
from weirwatch.domain.state import Observed
from weirwatch.domain.wording import amount, on_off

NOT_ENDED = "planned-work-not-ended"

Check = ChannelIs | ChannelBeyond


@dataclass(frozen=True, slots=True)
class PlannedWork:
    """One kind of planned work.

    Attributes:
        duration: how long it takes, if nothing else is said at its start.
        settle: how long after its end the checks are made; its alarms stay shelved until then.
        rules: ids of the rules to shelve; no bold failure among them.
        calibrates: channels whose probe is out of the water meanwhile: their readings are uncertain
            until the work ends.
        checks: what holds when all is back to normal.
        longest: no rule may be shelved for longer, the settling included.
    """

    id: str
    title: str
    duration: Micros
    settle: Micros
    rules: tuple[str, ...]
    checks: tuple[Check, ...]
    longest: Micros
    calibrates: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Running:
    """Work that was started. All times are engine time, so that they outlive a restart.

    Attributes:
        ends: when it ends by itself, unless it has ended.
        ended: when it has ended, by hand or by itself; None: under way.
        shelved: rule → until when this work shelved it.
        unmet: what the last check found not back to normal, one sentence each.
    """

    work: str
    who: str
    comment: str
    started: Micros
    ends: Micros
    ended: Micros | None = None
    check_at: Micros | None = None
    shelved: Mapping[str, Micros] | None = None
    unmet: tuple[str, ...] = ()

    @property
    def state(self) -> str:
        """Return under-way, settling or not-back-to-normal."""
        if self.ended is None:
            return "under-way"
        return "not-back-to-normal" if self.unmet else "settling"

    def covers(self, time: Micros) -> bool:
        """Return whether it is under way at `time`."""
        return self.ended is None and self.started <= time < self.ends

    def end(self, at: Micros, settle: Micros) -> "Running":
        """Return it ended at a time, to be checked when it has settled."""
        return replace(self, ended=at, ends=min(self.ends, at), check_at=at + settle)


def unmet(
    checks: tuple[Check, ...], observed: Mapping[str, Observed], book: Book, now: Micros
) -> tuple[str, ...]:
    """Return what is not back to normal, one sentence each; empty: all is.

    A channel that is silent, or that nobody has heard, is not back to normal.
    """
    found = (_unmet(check, observed.get(check.channel), book, now) for check in checks)
    return tuple(sentence for sentence in found if sentence)


def check_text(check: Check, channel: Channel) -> str:
    """Return what is expected, for people."""
    if isinstance(check, ChannelIs):
        return on_off(check.value, channel)
    side = "above" if check.side is Side.HIGH else "below"
    return f"{side} {amount(check.limit, channel.unit)}"


def _unmet(check: Check, observed: Observed | None, book: Book, now: Micros) -> str:
    channel = book.channels[check.channel]
    expected = check_text(check, channel)
    if observed is None or observed.good_value is None or observed.good_time is None:
        return f"{channel.label} has no good reading, expected {expected}"
    age = now - observed.good_time
    if channel.silent_after is not None and age > channel.silent_after:
        return f"{channel.label} has no good reading for {seconds(age):.0f} s, expected {expected}"
    value = observed.good_value
    if isinstance(check, ChannelIs):
        is_on = value != 0.0
        return "" if is_on is check.value else f"{channel.label} is {on_off(is_on, channel)}"
    met = value > check.limit if check.side is Side.HIGH else value < check.limit
    return "" if met else f"{channel.label} is {amount(value, channel.unit)}, expected {expected}"
