"""Counts for health: what came in, what was refused, how long commits take."""

from dataclasses import dataclass
from typing import Any

from weirwatch.domain.instant import Micros


@dataclass(slots=True)
class Counters:
    """Written by the loop thread, read by others; single numbers, so a read is never torn.

    Attributes:
        turned_at: real monotonic time of the loop's last turn; shows a hung loop.
        commit_longest: longest commit in microseconds since the start.
    """

    messages: int = 0
    readings: int = 0
    duplicates: int = 0
    quarantined: int = 0
    commands_refused: int = 0
    commits: int = 0
    commit_failures: int = 0
    last_commit_error: str = ""
    commit_last: Micros = 0
    commit_longest: Micros = 0
    committed_at: Micros | None = None
    turned_at: Micros = 0

    def committed(self, duplicates: int, took: Micros, now: Micros) -> None:
        """Count one commit."""
        self.commits += 1
        self.duplicates += duplicates
        self.commit_last = took
        self.commit_longest = max(self.commit_longest, took)
        self.committed_at = now
        self.last_commit_error = ""

    def as_json(self) -> dict[str, Any]:
        """Return the counts for the health document."""
        return {
            "messages": self.messages,
            "readings": self.readings,
            "duplicates": self.duplicates,
            "quarantined": self.quarantined,
            "commands_refused": self.commands_refused,
            "commits": self.commits,
            "commit_failures": self.commit_failures,
            "last_commit_error": self.last_commit_error,
            "commit_last_ms": self.commit_last / 1000,
            "commit_longest_ms": self.commit_longest / 1000,
        }
