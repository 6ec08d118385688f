"""A real Mosquitto of a test's own, and an ear that hears all of it."""

import socket
import subprocess
from pathlib import Path
from threading import Event

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion
from support.need import need
from support.ports import free_port

from weirwatch.ingest.mqtt import leave


class Broker:
    """A Mosquitto of our own on a free port; can be stopped and started again."""

    def __init__(self, folder: Path) -> None:
        self._program = need("mosquitto")
        self.port = free_port()
        self._config = folder / "mosquitto.conf"
        self._config.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\n")
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    @property
    def address(self) -> tuple[str, int]:
        return "127.0.0.1", self.port

    def start(self) -> None:
        self._process = subprocess.Popen(
            [self._program, "-c", str(self._config)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for _ in range(1200):
            with socket.socket() as probe:
                if probe.connect_ex(self.address) == 0:
                    return
            Event().wait(0.05)
        raise AssertionError("mosquitto did not start")

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(60)
            self._process = None


class Ear:
    """Hears everything below a root, in order."""

    def __init__(self, address: tuple[str, int], name: str = "ear") -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self._client = Client(CallbackAPIVersion.VERSION2, client_id=name)
        self._client.on_connect = lambda client, *_: client.subscribe("weirwatch/#", qos=1)
        self._subscribed = Event()
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_message = self._note
        self._client.reconnect_delay_set(1, 1)
        self._client.connect(*address)
        self._client.loop_start()
        assert self._subscribed.wait(60)

    def _note(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        self.heard.append((message.topic, bytes(message.payload), message.retain))

    def payloads(self, topic: str) -> list[bytes]:
        return [payload for heard, payload, _ in list(self.heard) if heard == topic]

    def close(self) -> None:
        leave(self._client)
