"""A node's link to the broker: an MQTT client of its own, its last will and its buffer.

Everything that counts is done by the thread that calls; the client's own thread only notes that a
connection came or went and which packs are acknowledged.
"""

import logging
import socket
from collections import deque
from contextlib import suppress
from dataclasses import dataclass
from threading import Event
from typing import Any

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from weirsim.instruments import NodeSpec
from weirsim.wire import connection, connection_topic, readings_topic

log = logging.getLogger(__name__)

_KEEPALIVE_S = 5  # real seconds: a node that vanishes is known within three times that
_WINDOW = 8  # packs on their way at once: a broker of unknown make may allow only 20
_BUFFER_PACKS = 720  # an hour at one pack in 5 s
_GOODBYE_S = 2.0
_RETRY_S = (1, 4)


@dataclass(frozen=True, slots=True)
class LinkState:
    """How a node's link stands.

    Attributes:
        powered, connected: whether it runs, and whether the broker answers.
        buffered: packs not yet acknowledged by the broker.
        delivered, dropped: packs acknowledged, and packs lost (buffer full, or power lost with
            packs in it) since the start.
    """

    node: str
    powered: bool
    connected: bool
    buffered: int
    delivered: int
    dropped: int


class NodeLink:
    """One node's way to the broker.

    Args:
        node: whose packs it carries.
        address: host and port of the broker.
        root, system: first levels of its topics.
        buffer_packs: packs kept while the broker is away; the oldest go first when it is full.
    """

    def __init__(
        self,
        node: NodeSpec,
        address: tuple[str, int],
        root: str,
        system: str,
        buffer_packs: int = _BUFFER_PACKS,
    ) -> None:
        self._node = node
        self._address = address
        self._client_id = f"{system}-{node.id}"
        self._readings = readings_topic(root, system, node.id)
        self._connection = connection_topic(root, system, node.id)
        self._capacity = buffer_packs
        self._buffer: deque[bytes] = deque()
        self._on_the_way: dict[int, bytes] = {}  # by message id, in the order they went out
        self._acknowledged: deque[int] = deque()  # filled by the client's thread
        self._client: Client | None = None
        self._running = False
        self._powered = False
        self._connected = False
        self._sessions = 0  # counted by the client's thread
        self._announced: tuple[int, str] = (0, "")
        self._delivered = 0
        self._dropped = 0

    @property
    def state(self) -> LinkState:
        """How the link stands now."""
        waiting = len(self._buffer) + len(self._on_the_way)
        return LinkState(
            self._node.id,
            self._powered,
            self._connected,
            waiting,
            self._delivered,
            self._dropped,
        )

    def send(self, payload: bytes) -> None:
        """Take a pack; it goes out at the next `tend` with a connection, oldest first."""
        while len(self._buffer) >= self._capacity:
            self._buffer.popleft()
            self._dropped += 1
        self._buffer.append(payload)

    def tend(self, powered: bool, offline: bool, supply: str, now_us: int) -> None:
        """Do what is due: join, leave, announce, send.

        Args:
            powered: whether the node runs; without power its TCP connection dies without a word.
            offline: it runs, but its network is away.
            supply: `mains` or `battery`, for the connection message.
            now_us: service time.
        """
        if self._powered and not powered:
            self._lose_power()
        self._powered = powered
        if powered and not offline:
            if not self._running:
                self._join(supply)
        elif self._running:
            self._cut()
        self._settle()
        client = self._client
        if client is None or not self._connected:
            return
        if self._announced != (self._sessions, supply):
            self._announced = (self._sessions, supply)
            client.publish(self._connection, connection(True, supply, now_us), qos=1, retain=True)
        while self._buffer and len(self._on_the_way) < _WINDOW:
            self._publish_next(client)

    def close(self, now_us: int) -> None:
        """Send what is left, say goodbye and leave; safe to call twice, or before any tend."""
        client, self._client = self._client, None
        if client is None:
            return
        if self._connected:
            self._send_rest(client)
            supply = self._announced[1] or self._node.power
            last = client.publish(
                self._connection, connection(False, supply, now_us), qos=1, retain=True
            )
            with suppress(RuntimeError):  # the broker left meanwhile: its will speaks for us
                last.wait_for_publish(_GOODBYE_S)
        client.disconnect()
        client.loop_stop()
        self._running = self._connected = False
        self._settle()
        self._drop_all()

    def _send_rest(self, client: Client) -> None:
        pause = Event()
        for _ in range(round(_GOODBYE_S / 0.02)):
            while self._buffer and len(self._on_the_way) < _WINDOW:
                self._publish_next(client)
            self._settle()
            if not self._buffer and not self._on_the_way:
                return
            pause.wait(0.02)

    def _publish_next(self, client: Client) -> None:
        payload = self._buffer.popleft()
        self._on_the_way[client.publish(self._readings, payload, qos=1).mid] = payload

    def _join(self, supply: str) -> None:
        client = self._new_client()
        client.will_set(self._connection, connection(False, supply), qos=1, retain=True)
        client.connect_async(*self._address, keepalive=_KEEPALIVE_S)
        client.loop_start()
        self._client, self._running = client, True

    def _new_client(self) -> Client:
        client = Client(CallbackAPIVersion.VERSION2, client_id=self._client_id, protocol=MQTTv311)
        client.reconnect_delay_set(*_RETRY_S)
        client.on_connect = self._note_connected
        client.on_disconnect = self._note_disconnected
        client.on_publish = self._note_acknowledged
        return client

    def _cut(self) -> None:
        """End the TCP connection without DISCONNECT, so that the broker sends the last will."""
        client, self._client = self._client, None
        self._running = False
        if client is None:
            return
        wire = client.socket()
        if isinstance(wire, socket.socket):
            with suppress(OSError):  # gone already
                wire.shutdown(socket.SHUT_RDWR)
        client.loop_stop()
        self._connected = False
        self._settle()
        self._buffer.extendleft(reversed(self._on_the_way.values()))  # to be sent again
        self._on_the_way.clear()

    def _lose_power(self) -> None:
        self._cut()
        self._drop_all()

    def _drop_all(self) -> None:
        self._dropped += len(self._buffer) + len(self._on_the_way)
        self._buffer.clear()
        self._on_the_way.clear()

    def _settle(self) -> None:
        while self._acknowledged:
            mid = self._acknowledged.popleft()
            if self._on_the_way.pop(mid, None) is not None:
                self._delivered += 1

    # --- called by the client's own thread ---------------------------------------------------

    def _note_connected(
        self,
        client: Client,
        userdata: Any,
        flags: ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        del client, userdata, flags, properties
        if reason.is_failure:
            log.warning("node.refused node=%s reason=%s", self._node.id, reason)
            return
        self._sessions += 1
        self._connected = True

    def _note_disconnected(
        self,
        client: Client,
        userdata: Any,
        flags: DisconnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        del client, userdata, flags, reason, properties
        self._connected = False

    def _note_acknowledged(
        self,
        client: Client,
        userdata: Any,
        mid: int,
        reason: ReasonCode,
        properties: Properties,
    ) -> None:
        del client, userdata, reason, properties
        self._acknowledged.append(mid)
