"""The ports of what comes in: messages, the broker's connection, decoding."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Reading


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
