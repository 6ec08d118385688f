"""The connection to the broker: the only file that knows paho.

Messages are acknowledged by hand, after the commit: `ack` is called with what is durable. Every
message carries the number of the connection it came on, because a message id means nothing on
the next one, where it could acknowledge another message that nobody has stored.
"""

import contextlib
import logging
import ssl
import threading
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage, MQTTMessageInfo
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import to_rfc3339
from weirwatch.ingest.credentials import read_credentials
from weirwatch.ingest.topics import own_connection
from weirwatch.ports import Clock, WireMessage
from weirwatch.settings import BrokerSettings

log = logging.getLogger(__name__)

KEEPALIVE_S = 20
_RETRY_S = (1, 30)  # back-off from, to
_OUT_QUEUED = 10_000  # messages out that wait for a broker
_OUT_INFLIGHT = 100
_GOODBYE_S = 1.0
GOODBYE = b'{"connected": false, "planned": true}'  # the last will does not say "planned"
_FOR_EVER = 0xFFFF_FFFF  # session expiry, MQTT 5.0, 3.1.2.11.2
_COUNTS = ("received", "acked", "stale_acks", "dropped_out", "connects", "disconnects", "refused")

_CURES = {
    "Bad user name or password": "correct the credentials file",
    "Not authorized": "name a credentials file, or give the user its rights at the broker",
    "Client identifier not valid": "set another broker.client_id",
    "Unsupported protocol version": "set another broker.protocol",
    "Session taken over": "another client uses our client id: set another broker.client_id",
}


class MqttTransport:
    """Implements `ports.Transport` over paho.

    Args:
        settings: protocol, TLS, login and client id.
        address: host and port (of our own broker, or from the settings' url).
        subscriptions: topic filters, all at QoS 1.
        inbox_put: takes each message, on the network thread; must not block or raise.
        on_link: told true at each connection and false when it is lost, on the network thread.
        clock: dates the messages.
        lasting: False: nothing of it stays at the broker when it closes, neither a session that
            collects messages nor a retained topic; for a drill.

    Raises:
        ConfigError: the credentials or the CA file cannot be used.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        address: tuple[str, int],
        subscriptions: Sequence[str],
        inbox_put: Callable[[WireMessage], None],
        on_link: Callable[[bool], None],
        clock: Clock,
        *,
        lasting: bool = True,
    ) -> None:
        self._lasting = lasting
        self._address = address
        self._where = f"broker {address[0]}:{address[1]}"
        self._subscriptions = tuple(subscriptions)
        self._inbox_put = inbox_put
        self._on_link = on_link
        self._clock = clock
        self._own_topic = own_connection(settings.root)
        self._counts: Counter[str] = Counter()
        self._lock = threading.Lock()  # an ack must not slip from one connection into the next
        # paho starts two network threads for one socket when two threads ask at once.
        self._one_thread = threading.Lock()
        self._generation = 0
        self._live = False
        self._started = False
        self._closed = False
        self._state = f"{self._where}: not started"
        self._v5 = settings.protocol == "5"
        self._tls = settings.url.startswith("mqtts://")
        self._client = self._make_client(settings)

    # --- ports.Transport ---------------------------------------------------------------------

    def start(self) -> None:
        """Begin connecting; keeps trying with back-off for ever."""
        self._state = f"{self._where}: connecting"
        if self._v5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = _FOR_EVER if self._lasting else 0
            self._client.connect_async(
                *self._address,
                KEEPALIVE_S,
                clean_start=not self._lasting,
                properties=properties,
            )
        else:
            self._client.connect_async(*self._address, KEEPALIVE_S)
        with self._one_thread:
            self._started = True
            self._client.loop_start()

    def ack(self, messages: Sequence[WireMessage]) -> None:
        """Acknowledge committed messages in the order given; stale ones are dropped, counted."""
        acked = stale = 0
        with self._lock:
            generation = self._generation if self._live else -1
            for message in messages:
                if message.qos == 0:
                    continue
                if message.generation != generation:
                    stale += 1  # the broker sends it again; the store knows it already
                    continue
                self._client.ack(message.mid, message.qos)
                acked += 1
        self._counts["acked"] += acked
        self._counts["stale_acks"] += stale

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Send one message out at QoS 1; waits for a broker if there is none."""
        self._publish(topic, payload, retain=retain)

    def close(self) -> None:
        """Say goodbye, disconnect and stop the network thread."""
        with self._one_thread:
            if not self._started or self._closed:
                return
            self._closed = True
        if self._live and self._lasting:
            info = self._publish(self._own_topic, GOODBYE, retain=True)
            if info is not None:
                with contextlib.suppress(RuntimeError):  # lost in this very moment
                    info.wait_for_publish(_GOODBYE_S)
        leave(self._client)
        with self._lock:
            self._live = False
        self._state = f"{self._where}: closed"

    def counters(self) -> Mapping[str, int]:
        """Return counts since the start; `refused`: connections the broker did not want."""
        return {name: self._counts[name] for name in _COUNTS}

    # --- beyond the port ---------------------------------------------------------------------

    @property
    def connected(self) -> bool:
        """Whether the broker has accepted us and the connection stands."""
        return self._live

    def state(self) -> str:
        """Return one sentence on how the connection is, with the cure when it is not.

        Also brings the network thread back, should an error of the library have ended it.
        """
        with self._one_thread:
            wanted = self._started and not self._closed
            revived = wanted and self._client.loop_start() == MQTTErrorCode.MQTT_ERR_SUCCESS
        if revived:
            log.error("mqtt.network_thread_revived")
        return self._state

    # --- making the client -------------------------------------------------------------------

    def _make_client(self, settings: BrokerSettings) -> Client:
        client = Client(
            CallbackAPIVersion.VERSION2,
            settings.client_id,
            clean_session=None if self._v5 else not self._lasting,
            protocol=MQTTProtocolVersion.MQTTv5 if self._v5 else MQTTProtocolVersion.MQTTv311,
            manual_ack=True,
        )
        client.reconnect_delay_set(*_RETRY_S)
        client.max_queued_messages_set(_OUT_QUEUED)
        client.max_inflight_messages_set(_OUT_INFLIGHT)
        if self._lasting:
            client.will_set(self._own_topic, b'{"connected": false}', qos=1, retain=True)
        if settings.credentials_file is not None:
            login = read_credentials(settings.credentials_file)
            client.username_pw_set(login.username, login.password)
        if self._tls:
            use_tls(client, settings)
        client.on_connect = self._connected
        client.on_connect_fail = self._unreachable
        client.on_disconnect = self._disconnected
        client.on_subscribe = self._subscribed
        client.on_message = self._received
        return client

    # --- callbacks, on paho's network thread -------------------------------------------------

    def _connected(
        self, client: Client, _: Any, flags: ConnectFlags, reason: ReasonCode, __: Any
    ) -> None:
        if reason.is_failure:
            self._counts["refused"] += 1
            self._tell(f"{self._where} refuses us: {_with_cure(reason)}; trying again")
            return
        now = self._clock.now()
        with self._lock:
            self._generation += 1
            self._live = True
        self._counts["connects"] += 1
        self._tell(f"{self._where}: connected since {to_rfc3339(now.utc)}")
        log.info("mqtt.connected session_present=%s", flags.session_present)
        client.subscribe([(topic_filter, 1) for topic_filter in self._subscriptions])
        if self._lasting:
            birth = f'{{"connected": true, "since": "{to_rfc3339(now.utc)}"}}'
            self._publish(self._own_topic, birth.encode(), retain=True)
        self._on_link(True)

    def _unreachable(self, *_: Any) -> None:
        trust = ", or name its authority in broker.ca_file" if self._tls else ""
        self._tell(
            f"{self._where} does not answer: start it, or correct its address{trust}; trying again"
        )

    def _disconnected(
        self, _: Client, __: Any, flags: DisconnectFlags, reason: ReasonCode, ___: Any
    ) -> None:
        with self._lock:
            was_live, self._live = self._live, False
        if not was_live:
            return
        self._counts["disconnects"] += 1
        if not self._closed:
            why = _with_cure(reason) if flags.is_disconnect_packet_from_server else "no answer"
            self._tell(f"{self._where}: connection lost ({why}); trying again")
        self._on_link(False)

    def _subscribed(
        self, _: Client, __: Any, ___: int, reasons: Sequence[ReasonCode], ____: Any
    ) -> None:
        refused = [
            topic_filter
            for topic_filter, reason in zip(self._subscriptions, reasons, strict=False)
            if reason.is_failure
        ]
        if refused:
            self._tell(
                f"{self._where}: connected, but it refuses the subscription to"
                f" {', '.join(refused)}: give our user the right to read them"
            )

    def _received(self, _: Client, __: Any, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(a topic that is not UTF-8)"
        self._counts["received"] += 1
        received = self._clock.now().utc
        self._inbox_put(
            WireMessage(
                self._generation, message.mid, message.qos, topic, bytes(message.payload), received,
                message.retain,
            )
        )  # fmt: skip

    # --- helpers -----------------------------------------------------------------------------

    def _publish(self, topic: str, payload: bytes, *, retain: bool) -> MQTTMessageInfo | None:
        try:
            info = self._client.publish(topic, payload, qos=1, retain=retain and self._lasting)
        except ValueError as error:  # a topic or a size that MQTT does not allow
            self._counts["dropped_out"] += 1
            log.warning("mqtt.publish_refused topic=%s error=%s", topic, error)
            return None
        if info.rc == MQTTErrorCode.MQTT_ERR_QUEUE_SIZE:
            self._counts["dropped_out"] += 1
            return None
        return info

    def _tell(self, state: str) -> None:
        if state != self._state:
            log.info("mqtt.state %s", state)
        self._state = state


def leave(client: Client) -> None:
    """Disconnect, end the network thread and close every socket of a client; it is as new then."""
    client.disconnect()
    client.loop_stop()
    client.reinitialise()  # loop_stop leaves the sockets open that wake the thread


def use_tls(client: Client, settings: BrokerSettings) -> None:
    """Let a client connect over TLS.

    Raises:
        ConfigError: the CA file cannot be used.
    """
    try:
        client.tls_set(
            ca_certs=None if settings.ca_file is None else str(settings.ca_file),
            cert_reqs=ssl.CERT_REQUIRED,
        )
    except (OSError, ValueError) as error:
        raise ConfigError(
            f"broker.ca_file {settings.ca_file}: cannot be used ({error}): name a PEM file"
        ) from None


def _with_cure(reason: ReasonCode) -> str:
    name = reason.getName()
    cure = _CURES.get(name)
    return f"{name}: {cure}" if cure else name
