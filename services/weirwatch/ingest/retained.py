"""A short look at what the broker keeps: its retained messages below the root."""

import ssl
import threading
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from weirwatch.domain.errors import TransientError
from weirwatch.ingest.broker import broker_address
from weirwatch.ingest.credentials import read_credentials
from weirwatch.ingest.mqtt import leave
from weirwatch.settings import BrokerSettings

_QUIET_S = 1.0  # retained messages come at once after the subscription is confirmed
_CONNECT_S = 15.0


def retained_messages(
    settings: BrokerSettings, address: tuple[str, int] | None = None
) -> list[tuple[str, bytes]]:
    """Return (topic, payload) of what is retained, with a session of its own that leaves nothing.

    Raises:
        ConfigError: the credentials cannot be read.
        TransientError: the broker does not answer or does not let us in.
    """
    host, port = address or broker_address(settings.url)
    look = _Look(settings.root)
    client = _client(settings)
    client.on_connect = look.connected
    client.on_subscribe = look.subscribed
    client.on_message = look.arrived
    try:
        client.connect(host, port, keepalive=10)
        client.loop_start()
        if not look.up.wait(_CONNECT_S):
            raise TransientError(f"the broker at {host}:{port} does not let us in")
        while look.news.wait(_QUIET_S):
            look.news.clear()
    except OSError as error:
        raise TransientError(f"the broker at {host}:{port} does not answer ({error})") from error
    finally:
        leave(client)
    return sorted(look.found)


class _Look:
    """What one look has seen so far."""

    def __init__(self, root: str) -> None:
        self._root = root
        self.found: list[tuple[str, bytes]] = []
        self.up, self.news = threading.Event(), threading.Event()

    def connected(
        self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _more: Any
    ) -> None:
        if not reason.is_failure:
            client.subscribe(f"{self._root}/#", qos=0)

    def subscribed(self, *_: Any) -> None:
        self.up.set()

    def arrived(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        if message.retain:
            self.found.append((message.topic, bytes(message.payload)))
            self.news.set()


def _client(settings: BrokerSettings) -> mqtt.Client:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, clean_session=True)
    if settings.credentials_file is not None:
        login = read_credentials(settings.credentials_file)
        client.username_pw_set(login.username, login.password)
    if settings.url.startswith("mqtts://"):
        client.tls_set_context(ssl.create_default_context(cafile=settings.ca_file))
    return client
