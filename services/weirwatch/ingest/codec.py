"""From one MQTT message to readings, a node's state and what goes to quarantine."""

import logging
from collections.abc import Mapping, Sequence
from typing import Protocol

from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Channel
from weirwatch.ingest.node_topics import ConnectionTopic, ReadingsTopic
from weirwatch.ingest.outcome import LATEST, Outcome
from weirwatch.ingest.payload import MAX_BYTES
from weirwatch.ingest.senml import MAX_RECORDS
from weirwatch.ingest.tap import Tap
from weirwatch.ingest.topics import node_topic, topic_matches
from weirwatch.ports import Decoded, WireMessage
from weirwatch.settings import TapSettings

log = logging.getLogger(__name__)

_KEPT_TOPICS = 4096


class _Handler(Protocol):
    def take(self, outcome: Outcome) -> None: ...


class Codec:
    """Decodes what the transport receives; implements `ports.Decoder`.

    Args:
        channels: as configured.
        taps: for foreign nodes; several may match one message.
        root: first level of the nodes' topics.
        skew_future: a reading further ahead of now goes to quarantine.

    Attributes:
        trust_clock: False: no reading is "in the future" unless absurdly so.

    Raises:
        ConfigError: a tap names a channel that is not there, a bad pointer or a wrong unit.
    """

    def __init__(
        self,
        channels: Sequence[Channel],
        taps: Sequence[TapSettings],
        root: str,
        skew_future: Micros,
    ) -> None:
        self.trust_clock = True
        self._root = root
        self._skew_future = skew_future
        self._channels = {channel.id: channel for channel in channels}
        nodes = {(channel.system, channel.node) for channel in channels}
        self._readings = {node: ReadingsTopic(*node, self._channels) for node in nodes}
        self._taps = [(tap.topic, Tap(tap, self._tapped(tap))) for tap in taps]
        self._handlers: dict[str, tuple[_Handler, ...]] = {}

    def decode(self, message: WireMessage, now: Micros) -> Decoded:
        """Decode one message; never raises."""
        latest = now + self._skew_future if self.trust_clock else LATEST
        outcome = Outcome(message, latest)
        try:
            self._take(outcome)
        except Exception as error:
            # A message that brings the decoder down would come again after every restart.
            log.exception("ingest.codec.failed topic=%s", message.topic)
            outcome.trouble("codec-error", f"the decoder failed on it ({error!r}); see the log")
        return outcome.decoded()

    def counters(self) -> Mapping[str, int]:
        """Return what was left out on purpose: sums_ignored."""
        return {"sums_ignored": sum(topic.sums_ignored for topic in self._readings.values())}

    def _tapped(self, tap: TapSettings) -> Channel:
        channel = self._channels.get(tap.channel)
        if channel is None:
            raise ConfigError(f"tap {tap.topic!r}: no channel {tap.channel!r}: add a [[channel]]")
        return channel

    def _take(self, outcome: Outcome) -> None:
        message = outcome.message
        if len(message.payload) > MAX_BYTES:
            outcome.trouble(
                "too-large",
                f"{len(message.payload)} bytes: send at most {MAX_BYTES} bytes and {MAX_RECORDS}"
                " records in one message",
            )
            return
        handlers = self._handlers.get(message.topic) or self._find(message.topic)
        for handler in handlers:
            handler.take(outcome)
        if not handlers:
            self._nobody(outcome)

    def _find(self, topic: str) -> tuple[_Handler, ...]:
        handlers: list[_Handler] = [
            tap for filter_, tap in self._taps if topic_matches(filter_, topic)
        ]
        own = self._own(topic)
        if own is not None:
            handlers.insert(0, own)
        if len(self._handlers) >= _KEPT_TOPICS:
            self._handlers.clear()
        self._handlers[topic] = tuple(handlers)
        return self._handlers[topic]

    def _own(self, topic: str) -> _Handler | None:
        parts = node_topic(self._root, topic)
        readings = self._readings.get(parts[:2]) if parts else None
        if parts is None or readings is None:
            return None
        return readings if parts[2] == "readings" else ConnectionTopic("/".join(parts[:2]))

    def _nobody(self, outcome: Outcome) -> None:
        parts = node_topic(self._root, outcome.message.topic)
        if parts is None:
            outcome.trouble("unknown-topic", "neither a node's topic nor one that a tap takes")
            return
        outcome.trouble(
            "unknown-channel" if parts[2] == "readings" else "unknown-node",
            f"no channel of node {parts[0]}/{parts[1]} in the configuration: add its channels, or"
            " correct the node's topic",
        )
