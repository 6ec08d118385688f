"""Peers of the service for tests over a real broker: brokers, publishers, an inbox."""

import contextlib
import subprocess
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path

from support.need import need
from support.ports import free_port

from weirwatch.clock import SystemClock
from weirwatch.ingest.knock import answers_mqtt
from weirwatch.ingest.mqtt import MqttTransport
from weirwatch.ports import WireMessage
from weirwatch.settings import BrokerSettings

HOST = "127.0.0.1"


def broker_settings(**changes: object) -> BrokerSettings:
    """Return settings for a broker of our own on any free port."""
    values: dict[str, object] = {
        "url": "auto",
        "listen": (HOST, 0),
        "root": "weirwatch",
        "protocol": "3.1.1",
        "credentials_file": None,
        "ca_file": None,
        "client_id": "weirwatch-test",
    }
    return BrokerSettings(**{**values, **changes})  # type: ignore[arg-type]


class Inbox:
    """What a transport delivered, with waiting."""

    def __init__(self) -> None:
        self.messages: list[WireMessage] = []
        self.links: list[bool] = []
        self._news = threading.Condition()

    def put(self, message: WireMessage) -> None:
        with self._news:
            self.messages.append(message)
            self._news.notify_all()

    def link(self, up: bool) -> None:
        with self._news:
            self.links.append(up)
            self._news.notify_all()

    def wait_messages(self, count: int, timeout_s: float = 60.0) -> list[WireMessage]:
        with self._news:
            assert self._news.wait_for(lambda: len(self.messages) >= count, timeout_s), (
                f"{len(self.messages)} of {count} messages"
            )
            return list(self.messages)

    def wait_links(self, *links: bool, timeout_s: float = 60.0) -> None:
        with self._news:
            assert self._news.wait_for(lambda: tuple(self.links) == links, timeout_s), self.links


@contextlib.contextmanager
def transport(
    address: tuple[str, int],
    inbox: Inbox,
    subscriptions: Sequence[str] = ("test/#",),
    settings: BrokerSettings | None = None,
) -> Iterator[MqttTransport]:
    """Run a transport; it is started and closed."""
    made = MqttTransport(
        settings or broker_settings(), address, subscriptions, inbox.put, inbox.link, SystemClock()
    )
    made.start()
    try:
        yield made
    finally:
        made.close()


@contextlib.contextmanager
def mosquitto(folder: Path, extra: str = "allow_anonymous true", port: int = 0) -> Iterator[int]:
    """Run a mosquitto that is not ours; yields its port."""
    program = need("mosquitto")
    port = port or free_port()
    conf = folder / f"foreign-{port}.conf"
    conf.write_text(f"listener {port} {HOST}\nuser root\n{extra}\n")
    with subprocess.Popen(
        [program, "-c", str(conf)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as process:
        try:
            for _ in range(1200):
                if answers_mqtt(HOST, port) or process.poll() is not None:
                    break
                threading.Event().wait(0.05)
            assert process.poll() is None, "mosquitto did not start"
            yield port
        finally:
            process.terminate()


def publish(port: int, topic: str, payload: str | bytes, *options: str) -> None:
    """Publish with mosquitto_pub at QoS 1."""
    body = payload.encode() if isinstance(payload, str) else payload
    command = [need("mosquitto_pub"), "-h", HOST, "-p", str(port), "-q", "1", "-t", topic, "-s"]
    subprocess.run([*command, *options], input=body, check=True, timeout=60)


def listen(port: int, topic: str, count: int, *options: str) -> str:
    """Return what mosquitto_sub prints for so many messages within a minute."""
    command = [need("mosquitto_sub"), "-h", HOST, "-p", str(port), "-t", topic, "-C", str(count)]
    done = subprocess.run(
        [*command, "-W", "60", "-q", "1", *options], capture_output=True, text=True, timeout=90
    )
    return done.stdout
