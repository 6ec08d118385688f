"""How much room the disk has left: a warning in good time, then an alarm.

Of a large disk a share is too much to ask: both bounds have a ceiling.
"""

import logging
import shutil
from collections.abc import Callable
from pathlib import Path

log = logging.getLogger(__name__)

FULL_SHARE, FULL_FLOOR, FULL_CEILING = 0.03, 200_000_000, 2_000_000_000
LOW_SHARE, LOW_FLOOR, LOW_CEILING = 0.10, 500_000_000, 10_000_000_000
ENOUGH = 1.1  # of the bound: only then the warning ends, so that it does not come and go


class DiskWatch:
    """Asked once a minute by the loop; `warning` may be asked by any thread.

    Args:
        folder: whose disk it is.
        tell: is told once when room gets short, and once when there is enough again.
    """

    def __init__(self, folder: Path, tell: Callable[[str], None] = lambda _: None) -> None:
        self._folder = folder
        self._tell = tell
        self.warning = ""

    def trouble(self) -> str | None:
        """Return a sentence when the disk is nearly full or cannot be asked, else None."""
        try:
            usage = shutil.disk_usage(self._folder)
        except OSError as error:
            return (
                f"the disk of {self._folder} cannot be asked ({error.strerror}): see whether it is"
                " there"
            )
        total, free = usage.total, usage.free
        self._watch_low(total, free)
        if free >= _bound(total, FULL_SHARE, FULL_FLOOR, FULL_CEILING):
            return None
        return (
            f"only {free / 1e6:.0f} MB ({100 * free / total:.0f} %) are free where"
            f" {self._folder} lies: make room; when it is full, the oldest readings go first, and"
            " nothing new is kept nor acknowledged that does not fit"
        )

    def _watch_low(self, total: int, free: int) -> None:
        bound = _bound(total, LOW_SHARE, LOW_FLOOR, LOW_CEILING)
        if self.warning and free >= ENOUGH * bound:
            self.warning = ""
            self._tell(f"{free / 1e9:.1f} GB are free again where {self._folder} lies")
        elif free < bound:
            known, self.warning = (
                self.warning,
                f"only {free / 1e9:.1f} GB ({100 * free / total:.0f} %) are free where"
                f" {self._folder} lies: make room before it is full, or lower [history] raw_days",
            )
            if not known:
                log.warning("store.disk_low free=%d total=%d", free, total)
                self._tell(self.warning)


def _bound(total: int, share: float, floor: int, ceiling: int) -> float:
    """Return the share of the disk, not above the ceiling; the floor, on a disk of its size."""
    return max(min(share * total, ceiling), min(floor, total / 2))
