"""The independent watcher's connection to the site's broker: it only listens."""

import json
import logging
import threading
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from weirwatch.ingest.credentials import read_credentials
from weirwatch.ingest.mqtt import leave, use_tls
from weirwatch.ingest.topics import own_connection
from weirwatch.settings import BrokerSettings

log = logging.getLogger(__name__)

KEEPALIVE_S = 10  # a silent broker is missed after 1.5 times this
_RETRY_S = (1, 5)


class FarEar:
    """Hears what the service says of its own connection.

    Raises:
        ConfigError: the credentials or the CA file cannot be used.
    """

    def __init__(self, settings: BrokerSettings, address: tuple[str, int]) -> None:
        self._address = address
        self._topic = own_connection(settings.root)
        self._lock = threading.Lock()
        self._connected = False
        self._service = ""
        five = settings.protocol == "5"
        self._client = Client(
            CallbackAPIVersion.VERSION2,
            f"{settings.client_id}-far",
            clean_session=None if five else True,
            protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
        )
        self._client.reconnect_delay_set(*_RETRY_S)
        if settings.credentials_file is not None:
            login = read_credentials(settings.credentials_file)
            self._client.username_pw_set(login.username, login.password)
        if settings.url.startswith("mqtts://"):
            use_tls(self._client, settings)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message

    def start(self) -> None:
        """Begin connecting; keeps trying for ever."""
        self._client.connect_async(*self._address, KEEPALIVE_S)
        self._client.loop_start()

    def heard(self) -> tuple[bool, str]:
        """Return whether the broker answers, and "up", "stopped", "lost" or "" of the service."""
        with self._lock:
            return self._connected, self._service if self._connected else ""

    def close(self) -> None:
        """Disconnect and end the network thread."""
        leave(self._client)

    def _on_connect(self, client: Client, _: Any, __: Any, reason: Any, ___: Any) -> None:
        if reason.is_failure:
            log.warning("farwatch.broker_refuses reason=%s", reason)
            return
        with self._lock:
            self._connected, self._service = True, ""
        client.subscribe(self._topic, qos=1)

    def _on_disconnect(self, *_: Any) -> None:
        with self._lock:
            self._connected = False

    def _on_message(self, _: Client, __: Any, message: MQTTMessage) -> None:
        with self._lock:
            self._service = service_word(bytes(message.payload))


def service_word(payload: bytes) -> str:
    """Return "up", "stopped", "lost", or "" for what cannot be read."""
    try:
        told = json.loads(payload)
    except (ValueError, RecursionError):
        return ""
    if not isinstance(told, dict) or not isinstance(told.get("connected"), bool):
        return ""
    if told["connected"]:
        return "up"
    return "stopped" if told.get("planned") is True else "lost"
