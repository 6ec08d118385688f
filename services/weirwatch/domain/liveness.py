"""How far can a reading be trusted? Quality is decided here and nowhere else, with its reason.

Worst first: an impossible value is bad; what the wire knows already stays (a retained value); then
one doubt is enough to make it uncertain, the first of: arrival told by an untrusted clock, in
calibration, warming up, a step faster than physics allows, frozen.
"""

from weirwatch.domain.instant import Micros, seconds
from weirwatch.domain.reading import Channel, Quality, Reading
from weirwatch.domain.state import Observed

OUTSIDE_VALID = "outside valid range"
RETAINED = "retained value"
CLOCK_UNTRUSTED = "clock untrusted"
IN_CALIBRATION = "in calibration"
WARM_UP = "warming up"
TOO_FAST = "step faster than physics allows"
FROZEN = "frozen"


def judge(
    channel: Channel,
    reading: Reading,
    *,
    powered_since: Micros | None = None,
    before: Observed | None = None,
    calibrating: bool = False,
    time_doubted: bool = False,
) -> Reading:
    """Return the reading with its quality and reason.

    Args:
        channel: as configured.
        reading: as decoded; a quality worse than good set by the wire stays.
        powered_since: when its node last connected; None when unknown.
        before: what was known of the channel before this reading.
        calibrating: its probe is not in the water: planned work that calibrates it is under way.
        time_doubted: its time is its arrival, told by a clock that is not to be trusted.
    """
    valid = channel.valid
    if valid is not None and not valid[0] <= reading.value <= valid[1]:
        return reading._replace(quality=Quality.BAD, reason=OUTSIDE_VALID)
    if reading.quality is not Quality.GOOD:
        return reading
    if time_doubted:
        reason = CLOCK_UNTRUSTED
    elif calibrating:
        reason = IN_CALIBRATION
    elif _warms_up(channel, reading, powered_since):
        reason = WARM_UP
    else:
        reason = "" if before is None else _against(channel, reading, before)
    return reading._replace(quality=Quality.UNCERTAIN, reason=reason) if reason else reading


def silence_between(channel: Channel, before: Micros, after: Micros) -> Micros:
    """Return how long nobody knew the value between two readings that follow each other.

    The same value before and after a silence is no sign that the probe was frozen in it.
    """
    silent_after = channel.silent_after
    return after - before if silent_after is not None and after - before > silent_after else 0


def _warms_up(channel: Channel, reading: Reading, powered_since: Micros | None) -> bool:
    if not channel.warm_up or powered_since is None:
        return False
    return 0 <= reading.time - powered_since < channel.warm_up


def _against(channel: Channel, reading: Reading, before: Observed) -> str:
    """Return what is odd about a reading after those before it; empty: nothing."""
    if _steps_too_far(channel, reading, before):
        return TOO_FAST
    span = channel.frozen_after
    if span is None or reading.value != before.value:
        return ""
    same = reading.time - before.changed_at - silence_between(channel, before.time, reading.time)
    return FROZEN if same >= span else ""


def _steps_too_far(channel: Channel, reading: Reading, before: Observed) -> bool:
    """Return whether the value is further from the last good one than it can have come since.

    The longer ago that was, the more is believed: a true step is not doubted for ever.
    """
    if channel.max_change_per_s is None or before.good_time is None or before.good_value is None:
        return False
    span = reading.time - before.good_time
    if span <= 0:  # history: what came before it is not known here
        return False
    believed = channel.max_change_per_s * seconds(span) + (channel.resolution or 0.0)
    return abs(reading.value - before.good_value) > believed
