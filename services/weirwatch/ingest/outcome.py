"""What decoding one message has come to so far: readings, node state, and what went wrong."""

from weirwatch.domain.instant import SECOND, Micros, to_rfc3339
from weirwatch.domain.reading import Quality, Reading
from weirwatch.ports import Decoded, NodeState, Quarantined, WireMessage

EARLIEST: Micros = 946_684_800 * SECOND  # 2000-01-01: earlier is a clock that was never set
LATEST: Micros = 4_102_444_800 * SECOND  # 2100-01-01: absurd, whatever our own clock says
KEPT_BYTES = 4096
_TOLD_REASONS = 3

_new = tuple.__new__  # half the time of the named constructor, once for every reading


class Outcome:
    """Collects while one message is decoded.

    Attributes:
        earliest, latest: own times of readings outside go to quarantine.
        quality, quality_reason: for every reading of this message.
    """

    __slots__ = (
        "earliest", "latest", "message", "node", "quality", "quality_reason", "readings",
        "troubles",
    )  # fmt: skip

    def __init__(self, message: WireMessage, latest: Micros) -> None:
        self.message = message
        self.latest = min(latest, LATEST)
        # A board that boots in 1970 still gives its readings an arrival time.
        self.earliest = EARLIEST if message.received >= EARLIEST else -LATEST
        self.quality, self.quality_reason = Quality.GOOD, ""
        if message.retained:
            self.quality, self.quality_reason = Quality.UNCERTAIN, "retained value"
        self.readings: list[Reading] = []
        self.node: NodeState | None = None
        self.troubles: dict[str, list[str]] = {}

    def add(self, channel: str, time: Micros, value: float) -> None:
        """Add a reading whose time has not been judged yet."""
        if self.earliest <= time <= self.latest:
            self.readings.append(
                _new(Reading, (channel, time, value, self.quality, self.quality_reason))
            )
        else:
            self.misdated(channel, time)

    def trouble(self, code: str, reason: str) -> None:
        """Note why something could not be used."""
        self.troubles.setdefault(code, []).append(reason)

    def misdated(self, channel: str, time: Micros) -> None:
        """Note a reading whose own time cannot be."""
        if time < self.earliest:
            self.trouble(
                "ancient",
                f"{channel}: its time {_say(time)} is before 2000: set the node's clock, or send"
                " no time and the arrival counts",
            )
        elif self.earliest <= time // 1000 <= self.latest:
            self.trouble(
                "in-the-future",
                f"{channel}: its time {_say(time)} looks like milliseconds: send seconds",
            )
        else:
            self.trouble(
                "in-the-future",
                f"{channel}: its time {_say(time)} is too far ahead of"
                f" {_say(self.message.received)}: set the node's clock, or the service's",
            )

    def decoded(self) -> Decoded:
        """Return what the message means."""
        if not self.troubles:
            return Decoded(self.readings, self.node, ())
        message = self.message
        return Decoded(
            self.readings,
            self.node,
            [
                Quarantined(
                    message.received, message.topic, code, _told(reasons),
                    message.payload[:KEPT_BYTES],
                )
                for code, reasons in self.troubles.items()
            ],
        )  # fmt: skip


def _told(reasons: list[str]) -> str:
    told = list(dict.fromkeys(reasons))
    more = len(told) - _TOLD_REASONS
    return "; ".join(told[:_TOLD_REASONS]) + (f"; and {more} more of the kind" if more > 0 else "")


def _say(time: Micros) -> str:
    try:
        return to_rfc3339(time)
    except OverflowError:
        return f"{time / SECOND:.6g} s"
