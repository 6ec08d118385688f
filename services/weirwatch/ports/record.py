"""The ports of what is kept: one transaction, what is found again at a start, the outbox."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from weirwatch.domain.alarm import Alarm, Event
from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Channel, Quality, Reading
from weirwatch.domain.rule import Rule
from weirwatch.ports.wire import NodeState, Quarantined


@dataclass(frozen=True, slots=True)
class Notice:
    """A message to a person, from the transaction of its event on.

    Attributes:
        id: stable: the same over every retry and restart; made from the event's sequence number
            and the recipient.
        event_seq: the annunciated event it tells of.
        text: the whole message; its first line fits a lock screen.
        payload: the same as data (the alarm with its card), for machines.
        state: pending, delivered, given-up, expired (a repeat that was no longer news) or folded
            (told in another notice, which `last_error` names).
    """

    id: str
    event_seq: int
    recipient: str
    created: Micros
    text: str
    payload: Mapping[str, Any]
    state: str = "pending"
    attempts: int = 0
    next_try: Micros = 0
    delivered_at: Micros | None = None
    last_error: str = ""


@dataclass(slots=True)
class Group:
    """Everything one transaction makes durable.

    Attributes:
        readings: (own time, channel number, value, quality, reason).
        events: with their sequence numbers.
        alarms: changed alarms by rule id.
        closed: rules that no longer exist; their alarms are forgotten.
        calling: how telling stands, by key, as JSON text; None: forget it.
    """

    readings: list[tuple[Micros, int, float, int, str]] = field(default_factory=list)
    events: list[tuple[int, Event]] = field(default_factory=list)
    alarms: dict[str, Alarm] = field(default_factory=dict)
    notices: list[Notice] = field(default_factory=list)
    quarantined: list[Quarantined] = field(default_factory=list)
    nodes: dict[str, NodeState] = field(default_factory=dict)
    closed: list[str] = field(default_factory=list)
    committed_at: Micros = 0
    calling: dict[str, str | None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Newest:
    """The newest reading of a channel, by its own time."""

    time: Micros
    value: float
    quality: Quality
    reason: str


@dataclass(frozen=True, slots=True)
class Restored:
    """What the journal remembers at start.

    Attributes:
        alarms: by rule id.
        rule_marks: by rule id, the fingerprint of the rule its alarm was judged by.
        newest: by channel id: the newest reading of any quality.
        newest_good: by channel id: the newest good reading.
        next_seq: next event sequence number.
        alive_at: last instant the service is known to have been alive; None on a new file.
        clean_stop: the last run ended in order.
        calling: as committed in `Group.calling`.
    """

    alarms: Mapping[str, Alarm]
    rule_marks: Mapping[str, str]
    newest: Mapping[str, Newest]
    newest_good: Mapping[str, Newest]
    nodes: Mapping[str, NodeState]
    next_seq: int
    alive_at: Micros | None
    clean_stop: bool
    calling: Mapping[str, str] = field(default_factory=dict)


class Journal(Protocol):
    """The write side of the one SQLite file; used by the loop thread only.

    `commit` is all or nothing and durable on return (fsync); it is idempotent for readings:
    one already stored at the same time and channel stays (first wins). It raises
    `TransientError` when it may work later (locked, disk full) and leaves the file as it was.
    """

    def restore(self) -> Restored:
        """Return what the file remembers."""
        ...

    def adopt(self, channels: Sequence[Channel], rules: Sequence[Rule]) -> Mapping[str, int]:
        """Register channels and the rules' fingerprints; return channel id → number."""
        ...

    def commit(self, group: Group) -> int:
        """Make a group durable; return how many of its readings were already there."""
        ...

    def take_in(self, readings: Sequence[Reading], now: Micros) -> int:
        """Make readings of the past durable; return how many of them were already there.

        History only: nothing is judged by them. All or nothing, like `commit`.
        """
        ...

    def maintain(self, now: Micros, budget_s: float) -> bool:
        """Look after the file for about so many real seconds; return whether there is more to do.

        Raises no error of ours: what fails has changed nothing and is tried again later.
        """
        ...

    def counters(self) -> Mapping[str, int]:
        """Return what went wrong or was let go since the start, by name; from any thread."""
        ...

    def mark_alive(self, time: Micros) -> None:
        """Note that the service is alive at this time (cheap; on an otherwise idle service)."""
        ...

    def mark_stopped(self, time: Micros) -> None:
        """Note an orderly stop."""
        ...

    def close(self) -> None:
        """Close the file; idempotent."""
        ...


class OutboxStore(Protocol):
    """The outbox thread's own connection to the same file."""

    def due(self, now: Micros, limit: int) -> Sequence[Notice]:
        """Return pending notices with `next_try` ≤ now, oldest event first per recipient."""
        ...

    def next_due(self) -> Micros | None:
        """Return the earliest `next_try` of pending notices, or None."""
        ...

    def delivered(self, notice_id: str, time: Micros) -> None:
        """Record a delivery."""
        ...

    def failed(self, notice_id: str, error: str, next_try: Micros | None) -> None:
        """Record a failed attempt; `next_try` None gives the notice up (dead letter)."""
        ...

    def due_to(self, recipient: str, now: Micros, limit: int) -> Sequence[Notice]:
        """Return one recipient's pending notices with `next_try` ≤ now, oldest event first."""
        ...

    def waits(self, rule: str) -> bool:
        """Return whether the rule's alarm stands, in service, and nobody has acknowledged it."""
        ...

    def expired(self, notice_id: str, reason: str) -> None:
        """Record that a notice was no longer news and is not sent."""
        ...

    def postponed(self, notice_ids: Sequence[str], next_try: Micros) -> None:
        """Look at pending notices again later; no attempt is counted."""
        ...

    def fold(self, notice_ids: Sequence[str], into: Notice) -> None:
        """Put one notice in the place of several pending ones, all or nothing."""
        ...

    def pending(self) -> int:
        """Return how many notices are not delivered yet and will be tried."""
        ...

    def dead_letters(self) -> int:
        """Return how many notices were given up since the file was made."""
        ...

    def tested(self) -> Mapping[str, Micros]:
        """Return by recipient when a test notice last arrived."""
        ...

    def first_event_at(self) -> Micros | None:
        """Return the time of the file's first event, or None."""
        ...

    def last_event_at(self, kind: str) -> Micros | None:
        """Return the time of the newest event of a kind, or None."""
        ...

    def close(self) -> None:
        """Close; idempotent."""
        ...
