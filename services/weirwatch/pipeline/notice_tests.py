"""When was the way of notices to everybody last tried, and is that too long ago?"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from weirwatch.domain.calls import Why
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.pipeline.shapes import time_json
from weirwatch.ports import Notice, OutboxStore

DAY: Micros = 86_400 * SECOND
DUE_AFTER: Micros = 30 * DAY
DUE = "notice-test-due"  # the event's kind


@dataclass(frozen=True, slots=True)
class Trials:
    """What is on record of tests.

    Attributes:
        at: by recipient, when a test last arrived.
        since: the first event of the file; None: there is none yet.
    """

    at: Mapping[str, Micros]
    since: Micros | None


def full_test_at(tested: Trials, recipients: Sequence[str]) -> Micros | None:
    """Return since when every recipient has had a test; None: somebody never had one."""
    times = [tested.at.get(recipient) for recipient in recipients]
    return None if None in times else min((t for t in times if t is not None), default=None)


def reminder(tested: Trials, recipients: Sequence[str], now: Micros) -> str:
    """Return a sentence when the last full test is older than 30 days; empty when it is not.

    A file younger than that needs none yet.
    """
    full = full_test_at(tested, recipients)
    begun = tested.since if full is None else full
    if begun is None or now - begun <= DUE_AFTER:
        return ""
    if full is not None:
        days = (now - full) // DAY
        return f"the last full test of notices is {days} days old: run weirwatch notice test"
    never = ", ".join(recipient for recipient in recipients if recipient not in tested.at)
    return f"no test of notices has ever reached {never}: run weirwatch notice test"


def trials_json(tested: Trials, recipients: Sequence[str], now: Micros) -> dict[str, Any]:
    """Return it as data."""
    said = reminder(tested, recipients, now)
    return {
        "last_full_at": time_json(full_test_at(tested, recipients)),
        "due": bool(said),
        "reminder": said,
        "untested": [recipient for recipient in recipients if recipient not in tested.at],
    }


class TrialWatch:
    """Keeps it up to date while the service runs, and puts it on record once when it is due.

    Used by the outbox thread; `as_json` may be asked from any thread.
    """

    def __init__(self, recipients: Sequence[str], told: Callable[[str, str], None]) -> None:
        """Wire it up; `told` is handed kind and sentence of what belongs on record."""
        self._recipients = recipients
        self._told = told
        self._tested = Trials({}, None)
        self._told_at: Micros | None = None

    def load(self, store: OutboxStore) -> None:
        """Read what is on record."""
        self._tested = Trials(store.tested(), store.first_event_at())
        self._told_at = store.last_event_at(DUE)

    def delivered(self, notice: Notice, now: Micros) -> None:
        """Take note of a notice that arrived."""
        if notice.payload.get("why") == Why.TEST:
            at = {**self._tested.at, notice.recipient: now}
            self._tested = Trials(at, self._tested.since)

    def look(self, now: Micros) -> None:
        """Put it on record when a test has become due since the last one."""
        said = reminder(self._tested, self._recipients, now)
        full = full_test_at(self._tested, self._recipients)
        told = self._told_at is not None and self._told_at > (full or 0)
        if said and not told:
            self._told_at = now
            self._told(DUE, said)

    def as_json(self, now: Micros) -> dict[str, Any]:
        """Return it as data."""
        return trials_json(self._tested, self._recipients, now)
