"""Publishes a live drill's simulated messages, at the same broker and with the service's login."""

import threading
from typing import Any

from paho.mqtt.client import Client, ConnectFlags
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.reasoncodes import ReasonCode

from weirwatch.domain.errors import TransientError
from weirwatch.ingest.credentials import read_credentials
from weirwatch.ingest.mqtt import leave, use_tls
from weirwatch.settings import BrokerSettings

_CONNECT_S = 15.0
_GOODBYE_S = 2.0


class DrillFeed:
    """A client of its own; nothing that it publishes is retained.

    Args:
        settings: of the service's broker.
        address: where it is.

    Raises:
        ConfigError: the credentials or the CA file cannot be used.
    """

    def __init__(self, settings: BrokerSettings, address: tuple[str, int]) -> None:
        self._address = address
        self._answered = threading.Event()
        self._refusal = ""
        client = Client(CallbackAPIVersion.VERSION2, f"{settings.client_id}-drill-plant")
        if settings.credentials_file is not None:
            login = read_credentials(settings.credentials_file)
            client.username_pw_set(login.username, login.password)
        if settings.url.startswith("mqtts://"):
            use_tls(client, settings)
        client.on_connect = self._connected
        self._client = client

    def start(self) -> None:
        """Connect.

        Raises:
            TransientError: the broker does not answer, or refuses us.
        """
        self._client.connect_async(*self._address)
        self._client.loop_start()
        where = "broker {}:{}".format(*self._address)
        if not self._answered.wait(_CONNECT_S):
            raise TransientError(f"{where} does not answer from here")
        if self._refusal:
            raise TransientError(f"{where} refuses the drill's plant: {self._refusal}")

    def send(self, topic: str, payload: bytes) -> bool:
        """Publish at QoS 1; return whether it could be taken."""
        return self._client.publish(topic, payload, qos=1).rc != MQTTErrorCode.MQTT_ERR_QUEUE_SIZE

    def close(self) -> None:
        """Leave; idempotent."""
        leave(self._client)

    def _connected(
        self, client: Client, userdata: Any, flags: ConnectFlags, reason: ReasonCode, _: Any
    ) -> None:
        del client, userdata, flags
        self._refusal = reason.getName() if reason.is_failure else ""
        self._answered.set()
