"""What the pipeline needs of the outside, and what each implementation promises.

Every implementation of a port runs the same contract test.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import Any, NamedTuple, Protocol

from weirwatch.domain.alarm import Alarm, Event
from weirwatch.domain.instant import Instant, Micros
from weirwatch.domain.keeper_log import LogEntry
from weirwatch.domain.operator import Command as Command
from weirwatch.domain.reading import Channel, Quality, Reading
from weirwatch.domain.rule import Rule

# --- time ------------------------------------------------------------------------------------


class Clock(Protocol):
    """The only source of time. A scaled clock runs `speed` times faster than real time."""

    @property
    def speed(self) -> float:
        """How many times faster than real time service time runs."""
        ...

    def now(self) -> Instant:
        """Return service time: utc may jump with the wall clock, mono never goes back."""
        ...

    def real_mono(self) -> Micros:
        """Return unscaled monotonic time, for commit intervals, retries and keepalives."""
        ...


# --- what comes in ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class WireMessage:
    """One MQTT message as received, not yet acknowledged to the broker.

    Attributes:
        generation: number of the connection it came on; an ack is only valid on the same one.
        mid, qos: of the PUBLISH; qos 0 needs no ack.
        received: service time (utc, microseconds) of arrival.
        retained: it is a stored value, not news.
    """

    generation: int
    mid: int
    qos: int
    topic: str
    payload: bytes
    received: Micros
    retained: bool


@dataclass(frozen=True, slots=True)
class BrokerFacts:
    """Which broker is in use, for status, health and page.

    Attributes:
        kind: "configured", "own mosquitto" or "embedded (for trying out)".
        address: host:port.
        limits: one sentence on what it keeps and what it can lose.
        window: messages it sends before it wants acknowledgements; decides `commit_unacked`.
    """

    kind: str
    address: str
    limits: str
    window: int


class Transport(Protocol):
    """The connection to the broker. Callbacks only append to the inbox.

    `close` is idempotent and safe before `start`. An `ack` on an older connection generation is
    dropped. `publish` is QoS 1 and returns at once; what cannot be sent is counted.
    """

    def start(self) -> None:
        """Begin connecting; keeps trying with back-off for ever."""
        ...

    def ack(self, messages: Sequence[WireMessage]) -> None:
        """Acknowledge committed messages in the order given."""
        ...

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Send one message out."""
        ...

    def state(self) -> str:
        """Return the connection's state as a sentence for people."""
        ...

    def close(self) -> None:
        """Disconnect cleanly and stop the network thread."""
        ...

    def counters(self) -> Mapping[str, int]:
        """Return counts: received, acked, stale_acks, dropped_out, connects, disconnects."""
        ...


@dataclass(frozen=True, slots=True)
class NodeState:
    """What a node says of its connection.

    Attributes:
        node: `system/node`.
        since: when it connected or was lost.
        power: "mains", "battery" or "" when unknown.
    """

    node: str
    connected: bool
    since: Micros
    power: str = ""


# --- what is kept ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Quarantined:
    """A payload or a reading that could not be used.

    Attributes:
        code: stable word, counted by it: not-senml, unknown-channel, wrong-unit, not-a-number,
            in-the-future, too-large, unknown-topic, …
        reason: one sentence for people.
        payload: at most the first 4096 bytes.
    """

    received: Micros
    topic: str
    code: str
    reason: str
    payload: bytes


class Decoded(NamedTuple):
    """What one message means.

    Attributes:
        readings: in the order of their own times; quality only for what the wire knows
            (retained: uncertain).
        node: what a connection topic says.
        quarantined: what could not be used, one entry a code.
    """

    readings: Sequence[Reading]
    node: NodeState | None
    quarantined: Sequence[Quarantined]


class Decoder(Protocol):
    """Turns messages into readings; never raises: what is unusable is quarantined.

    Attributes:
        trust_clock: False: the clock is not trusted, so no reading is "in the future".
    """

    trust_clock: bool

    def decode(self, message: WireMessage, now: Micros) -> Decoded:
        """Decode one message; `now` is service time (utc)."""
        ...


@dataclass(frozen=True, slots=True)
class Notice:
    """A message to a person, from the transaction of its event on.

    Attributes:
        id: stable: the same over every retry and restart; made from the event's sequence number
            and the recipient.
        event_seq: the annunciated event it tells of.
        text: the whole message; its first line fits a lock screen.
        payload: the same as data (the alarm with its card), for machines.
        state: pending, delivered or given-up.
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

    def maintain(self, now: Micros, budget_s: float) -> bool:
        """Look after the file for about so many real seconds; return whether there is more to do.

        Raises no error of ours: what fails has changed nothing and is tried again later.
        """
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

    def close(self) -> None:
        """Close; idempotent."""
        ...


class Bucket(NamedTuple):
    """One bucket of a series: `[start, end)`. Empty buckets are not returned (gaps stay gaps).

    Attributes:
        mean: plain mean of the readings, each weighing the same.
        first, last: values of the first and the last reading.
    """

    start: Micros
    end: Micros
    minimum: float
    mean: float
    maximum: float
    count: int  # type: ignore[assignment] # hides tuple.count, which nobody wants here
    first: float = math.nan
    last: float = math.nan


@dataclass(frozen=True, slots=True)
class StoredEvent:
    """An event with its place in commit order."""

    seq: int
    committed_at: Micros
    event: Event


class Archive(Protocol):
    """The read side of the file: short read-only transactions; safe from several threads.

    Times are microseconds; ranges are `[start, end)`. An unknown channel raises `KeyError`.
    """

    def channels(self) -> Sequence[Channel]:
        """Return all channels ever stored, by id."""
        ...

    def newest(self) -> Mapping[str, Newest]:
        """Return the newest reading of each channel."""
        ...

    def series(self, channel: str, start: Micros, end: Micros, points: int) -> Sequence[Bucket]:
        """Return at most `points` buckets of equal width; good and uncertain readings only."""
        ...

    def readings(
        self, channel: str, start: Micros, end: Micros, after: Micros | None, limit: int
    ) -> Sequence[Reading]:
        """Return readings in time order, later than `after`, at most `limit`."""
        ...

    def span(self, channel: str) -> tuple[Micros, Micros] | None:
        """Return the times of the first and the last reading, or None."""
        ...

    def alarms(self) -> Mapping[str, Alarm]:
        """Return every alarm's committed state, by rule id."""
        ...

    def events(
        self, start: Micros | None, end: Micros | None, after_seq: int, limit: int
    ) -> Sequence[StoredEvent]:
        """Return events in commit order with seq > after_seq."""
        ...

    def last_seq(self) -> int:
        """Return the newest event's sequence number, 0 if none."""
        ...

    def notices(self, after: int, limit: int) -> Sequence[tuple[int, Notice]]:
        """Return (row number, notice), newest last, row number > after."""
        ...

    def quarantined(self, limit: int) -> Sequence[Quarantined]:
        """Return the newest quarantined payloads first."""
        ...

    def quarantine_counts(self) -> Mapping[str, int]:
        """Return how many were quarantined since the file was made, by code."""
        ...

    def log(
        self,
        start: Micros | None,
        end: Micros | None,
        kinds: Sequence[str],
        after: int,
        limit: int,
    ) -> Sequence[LogEntry]:
        """Return entries of the keeper's log in order of recording, number > `after`.

        Only those of a time in `[start, end)`, and of these kinds if any are named.
        """
        ...

    def nodes(self) -> Mapping[str, NodeState]:
        """Return what each node last said of its connection."""
        ...

    def close(self) -> None:
        """Close; idempotent."""
        ...


# --- what goes out ---------------------------------------------------------------------------


class Notifier(Protocol):
    """One way out of the house.

    `send` returns when the other side has taken the notice. It raises `TransientError` to be
    retried, `PermanentError` to be given up. It may see the same notice id again after a crash.
    """

    def send(self, notice: Notice) -> None:
        """Deliver one notice."""
        ...

    def close(self) -> None:
        """Release what it holds; idempotent."""
        ...


# --- between the processes -------------------------------------------------------------------


class Core(Protocol):
    """The running core as seen over the control socket.

    Raises `TransientError` when the core does not answer.
    """

    def command(self, command: Command) -> Mapping[str, Any]:
        """Carry out a command; return the alarm as JSON once it is durable.

        Raises `IllegalCommand` or `UnknownRule`.
        """
        ...

    def health(self) -> Mapping[str, Any]:
        """Return the health document."""
        ...

    def explain(self, rule: str) -> Mapping[str, Any]:
        """Return why the rule's alarm is in its state.

        Raises `UnknownRule`.
        """
        ...

    def work(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """List, start or end planned work; see `pipeline.work_desk`.

        Raises `UnknownWork` or `IllegalCommand`.
        """
        ...

    def listen(self) -> AbstractContextManager[Iterator[Mapping[str, Any]]]:
        """Yield messages: {"event": …}, {"readings": {channel: [time, value, quality]}}."""
        ...


class LogKeeper(Protocol):
    """The running core as whoever writes into the keeper's log sees it."""

    def log(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """Put entries into the log; see `pipeline.log_desk`.

        Raises `RefusedEntry`, or `TransientError` when the core does not answer.
        """
        ...


Publish = Callable[[Mapping[str, Any]], None]  # hands one message to every listener; never blocks
