"""The digest of an alarm flood: which alarms wait for it, and when it goes out."""

import json
from collections.abc import Mapping

from weirwatch.domain.alarm_flood import Flood, annunciated, at, closes_at, told_singly
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.rule import Rule

KEY = "#flood"  # no rule can have this id
GATHER: Micros = 60 * SECOND  # from the first alarm of a digest until it goes out
APART: Micros = 600 * SECOND  # between two digests while the flood lasts


class Digest:
    """Kept with the calls, under `KEY`.

    Attributes:
        waiting: alarms for the next digest: rule id → sequence number of its event, in order.
    """

    def __init__(self, restored: str | None) -> None:
        facts = json.loads(restored) if restored else {}
        self.flood = Flood(tuple(facts.get("times", ())), bool(facts.get("open")))
        self.waiting: dict[str, int] = dict(facts.get("waiting", {}))
        self._due: Micros | None = facts.get("due")
        self._last: Micros | None = facts.get("last")

    def takes(self, seq: int, rule: Rule, now: Micros) -> bool:
        """Count one annunciation; return whether it waits for the digest instead of going out."""
        self.flood = annunciated(self.flood, now)
        if not self.flood.open or told_singly(rule):
            return False
        if not self.waiting:
            self._due = max(now + GATHER, (self._last + APART) if self._last is not None else 0)
        self.waiting[rule.id] = seq
        return True

    def next_call(self) -> Micros | None:
        """Return when `ready` wants to be asked at the latest, or None."""
        times = [self._due if self.waiting else None, closes_at(self.flood)]
        return min((time for time in times if time is not None), default=None)

    def ready(self, now: Micros) -> Mapping[str, int]:
        """Let time pass; return what goes out as a digest now."""
        was_open, self.flood = self.flood.open, at(self.flood, now)
        over = was_open and not self.flood.open
        if not self.waiting or not (over or (self._due is not None and self._due <= now)):
            return {}
        return dict(self.waiting)

    def sent(self, rules: Mapping[str, int], now: Micros, postponed_to: Micros | None) -> None:
        """Note that these went out; what stays waits until `postponed_to`."""
        for rule in rules:
            self.waiting.pop(rule, None)
        if rules:
            self._last = now
        self._due = postponed_to if self.waiting else None

    def forget(self, rule: str) -> bool:
        """Drop a rule that is gone; return whether it waited."""
        return self.waiting.pop(rule, None) is not None

    def as_text(self) -> str | None:
        """Return what is kept; None: nothing."""
        if not self.flood.times and not self.waiting:
            return None
        return json.dumps(
            {
                "times": self.flood.times,
                "open": self.flood.open,
                "waiting": self.waiting,
                "due": self._due,
                "last": self._last,
            }
        )
