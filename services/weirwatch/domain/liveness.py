"""How far can a reading be trusted? Quality is decided here and nowhere else.

Order: what the wire already knows (a retained value), the valid range, warm-up after power-up.
"""

from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Channel, Quality, Reading

OUTSIDE_VALID = "outside valid range"
RETAINED = "retained value"
WARM_UP = "warming up"
CLOCK_UNTRUSTED = "clock untrusted"


def judge(channel: Channel, reading: Reading, powered_since: Micros | None) -> Reading:
    """Return the reading with its quality and reason.

    Args:
        channel: as configured.
        reading: as decoded; a quality worse than good set by the wire stays.
        powered_since: when its node last connected; None when unknown.
    """
    valid = channel.valid
    if valid is not None and not valid[0] <= reading.value <= valid[1]:
        return reading._replace(quality=Quality.BAD, reason=OUTSIDE_VALID)
    if (
        channel.warm_up
        and powered_since is not None
        and reading.quality is Quality.GOOD
        and 0 <= reading.time - powered_since < channel.warm_up
    ):
        return reading._replace(quality=Quality.UNCERTAIN, reason=WARM_UP)
    return reading
