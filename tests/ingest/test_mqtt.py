import json
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from paho.mqtt.enums import MQTTErrorCode
from support.mqtt_peer import (
    HOST,
    Inbox,
    broker_settings,
    listen,
    mosquitto,
    publish,
    transport,
)
from support.need import need
from support.ports import free_port
from support.service import wait_for
from support.wire import CHANNELS, READINGS, TAPS

from weirwatch.clock import SystemClock
from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND
from weirwatch.ingest.broker import OwnBroker, start_broker
from weirwatch.ingest.codec import Codec
from weirwatch.ingest.mqtt import MqttTransport
from weirwatch.ingest.topics import subscriptions
from weirwatch.ports import Transport

pytestmark = pytest.mark.broker


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[OwnBroker]:
    need("mosquitto")
    own = start_broker(broker_settings(), tmp_path)
    assert own is not None
    yield own
    own.close()


def test_what_is_not_acknowledged_comes_again(broker: OwnBroker) -> None:
    port = broker.address[1]
    first = Inbox()
    with transport(broker.address, first) as link:
        first.wait_links(True)
        for number in range(5):
            publish(port, "test/a", str(number))
        messages = first.wait_messages(5)
        assert [m.payload for m in messages] == [b"0", b"1", b"2", b"3", b"4"]
        assert {(m.generation, m.qos, m.retained) for m in messages} == {(1, 1, False)}
        link.ack(messages[:2])
        wait_for(lambda: link.counters()["acked"] == 2)
    assert first.links == [True, False]
    publish(port, "test/a", "5")  # while we are away
    again = Inbox()
    with transport(broker.address, again) as link:
        messages = again.wait_messages(4)
        assert [m.payload for m in messages] == [b"2", b"3", b"4", b"5"]
        link.ack(messages)
    last = Inbox()
    with transport(broker.address, last):
        last.wait_links(True)
        publish(port, "test/a", "6")
        assert [m.payload for m in last.wait_messages(1)] == [b"6"]


def test_an_ack_of_an_older_connection_is_dropped_and_counted(broker: OwnBroker) -> None:
    port = broker.address[1]
    inbox = Inbox()
    with transport(broker.address, inbox) as link:
        inbox.wait_links(True)
        for number in range(3):
            publish(port, "test/a", str(number))
        old = inbox.wait_messages(3)
        broker.close()  # in good order: it keeps what is not acknowledged
        inbox.wait_links(True, False)
        link.ack(old[:1])
        assert link.counters()["stale_acks"] == 1
        broker.start()
        inbox.wait_links(True, False, True)
        messages = inbox.wait_messages(6)
        assert [(m.generation, m.payload) for m in messages[3:]] == [
            (2, b"0"),
            (2, b"1"),
            (2, b"2"),
        ]
        # The old ids mean other messages now: on the wire they would swallow these.
        link.ack(old)
        assert link.counters()["stale_acks"] == 4
        assert link.counters()["acked"] == 0
        link.ack(messages[3:])
        assert link.counters() == {
            "received": 6, "acked": 3, "stale_acks": 4, "dropped_out": 0, "connects": 2,
            "disconnects": 1, "refused": 0,
        }  # fmt: skip


def test_qos_0_needs_no_ack_and_retained_is_told(broker: OwnBroker) -> None:
    port = broker.address[1]
    publish(port, "test/kept", "old", "-r")
    inbox = Inbox()
    with transport(broker.address, inbox) as link:
        assert [(m.payload, m.retained) for m in inbox.wait_messages(1)] == [(b"old", True)]
        publish(port, "test/fast", "x", "-q", "0")
        messages = inbox.wait_messages(2)
        assert messages[1].qos == 0
        link.ack(messages)
        assert link.counters()["acked"] == 1


def test_what_a_peer_publishes_becomes_readings_or_quarantine(broker: OwnBroker) -> None:
    port = broker.address[1]
    codec = Codec(CHANNELS, TAPS, "weirwatch", 60 * SECOND)
    inbox = Inbox()
    filters = subscriptions("weirwatch", tuple(tap.topic for tap in TAPS))
    with transport(broker.address, inbox, filters) as link:
        inbox.wait_links(True)
        began = SystemClock().now().utc
        publish(port, READINGS, '[{"n":"level","v":301.5},{"n":"temperature","u":"K","v":298.15}]')
        publish(port, "bench/room/fahrenheit", "69.8")
        publish(port, READINGS, b"\x00\xff garbage")
        messages = inbox.wait_messages(3)
        now = SystemClock().now().utc
        decoded = [codec.decode(message, now) for message in messages]
        got = [(r.channel.rsplit("/", 1)[1], r.value) for d in decoded for r in d.readings]
        assert got == [
            ("level", 301.5),
            ("temperature", pytest.approx(25.0)),
            ("room-temperature", pytest.approx(21.0)),
        ]
        assert [q.code for d in decoded for q in d.quarantined] == ["not-senml"]
        assert all(began <= m.received <= now for m in messages)
        link.ack(messages)


def test_birth_and_goodbye_are_retained(broker: OwnBroker) -> None:
    port = broker.address[1]
    inbox = Inbox()
    with transport(broker.address, inbox):
        inbox.wait_links(True)
        told = json.loads(listen(port, "weirwatch/service/connection", 1))
        assert told["connected"] is True
        assert told["since"].endswith("Z")
    assert json.loads(listen(port, "weirwatch/service/connection", 1)) == {
        "connected": False,
        "planned": True,
    }


def test_last_will_when_the_process_is_killed(broker: OwnBroker, tmp_path: Path) -> None:
    port = broker.address[1]
    code = (
        "import sys, time; sys.path.insert(0, sys.argv[1])\n"
        "from support.mqtt_peer import *\n"
        f"inbox = Inbox()\nwith transport(('{HOST}', {port}), inbox):\n"
        "    inbox.wait_links(True); print('up', flush=True); time.sleep(60)\n"
    )
    command = [sys.executable, "-c", code, str(Path(__file__).parents[1])]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"up\n"
        process.send_signal(signal.SIGKILL)
    wait_for(
        lambda: json.loads(listen(port, "weirwatch/service/connection", 1)) == {"connected": False}
    )


def test_publish_out_also_before_there_is_a_broker(tmp_path: Path) -> None:
    need("mosquitto")
    own = start_broker(broker_settings(), tmp_path)
    assert own is not None
    own.close()
    inbox = Inbox()
    with transport(own.address, inbox) as link:
        wait_for(lambda: "does not answer" in link.state())
        assert not link.connected
        link.publish("weirwatch/harbour-hall/alarm/sump-high", b'{"x": 1}', retain=True)
        own.start()
        inbox.wait_links(True)
        assert "connected since" in link.state()
        assert listen(own.address[1], "weirwatch/harbour-hall/alarm/+", 1) == '{"x": 1}\n'
    own.close()


def test_what_cannot_be_published_is_counted(broker: OwnBroker) -> None:
    with transport(broker.address, Inbox()) as link:
        link.publish("a/+/b", b"x")
        assert link.counters()["dropped_out"] == 1


def test_a_refused_login_says_so_and_a_right_one_works(tmp_path: Path) -> None:
    passwords = tmp_path / "passwords"
    passwords.write_text("service:right\n")
    tool = shutil.which("mosquitto_passwd") or shutil.which("mosquitto_passwd", path="/usr/sbin")
    if tool is None:
        need("mosquitto")
    subprocess.run([str(tool), "-U", str(passwords)], check=True)
    login = tmp_path / "login.toml"
    with mosquitto(tmp_path, f"allow_anonymous false\npassword_file {passwords}") as port:
        for text, words in (
            (None, "Not authorized: name a credentials file"),
            ("wrong", "Not authorized: name a credentials file"),
        ):
            if text is not None:
                login.write_text(f'username = "service"\npassword = "{text}"\n')
            settings = broker_settings(credentials_file=text and login)
            with transport((HOST, port), Inbox(), settings=settings) as link:
                wait_for(lambda link=link: link.counters()["refused"] > 0)
                assert words in link.state()
                assert f"broker {HOST}:{port} refuses us" in link.state()
        login.write_text('username = "service"\npassword = "right"\n')
        inbox = Inbox()
        with transport((HOST, port), inbox, settings=broker_settings(credentials_file=login)):
            inbox.wait_links(True)


def test_version_5_keeps_the_session_too(broker: OwnBroker) -> None:
    port = broker.address[1]
    settings = broker_settings(protocol="5")
    first = Inbox()
    with transport(broker.address, first, settings=settings):
        first.wait_links(True)
        publish(port, "test/a", "1")
        first.wait_messages(1)
    publish(port, "test/a", "2")
    again = Inbox()
    with transport(broker.address, again, settings=settings) as link:
        assert [m.payload for m in again.wait_messages(2)] == [b"1", b"2"]
        link.ack(again.messages)


# paho drops the socket of a failed handshake without closing it; it is collected at once.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_tls_with_its_own_authority(tmp_path: Path) -> None:
    need("mosquitto")
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("openssl not found: apt-get install openssl")
    key, cert = tmp_path / "key.pem", tmp_path / "cert.pem"
    subprocess.run(
        [openssl, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "1", "-subj",
         "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1",
         "-keyout", str(key), "-out", str(cert)],
        check=True, capture_output=True,
    )  # fmt: skip
    inner = tmp_path / "plain"
    inner.mkdir()
    tls_port = free_port()
    extra = f"allow_anonymous true\nlistener {tls_port} {HOST}\ncertfile {cert}\nkeyfile {key}"
    with mosquitto(inner, extra):
        settings = broker_settings(url=f"mqtts://{HOST}:{tls_port}", ca_file=cert)
        inbox = Inbox()
        with transport((HOST, tls_port), inbox, settings=settings):
            inbox.wait_links(True)
        distrusted = broker_settings(url=f"mqtts://{HOST}:{tls_port}")
        with transport((HOST, tls_port), Inbox(), settings=distrusted) as link:
            wait_for(lambda: "name its authority in broker.ca_file" in link.state())


def test_a_ca_file_that_is_none_is_refused(tmp_path: Path) -> None:
    settings = broker_settings(url="mqtts://localhost:8883", ca_file=tmp_path / "none.pem")
    with pytest.raises(ConfigError, match="name a PEM file"):
        MqttTransport(settings, ("localhost", 8883), (), Inbox().put, Inbox().link, SystemClock())


def test_close_is_idempotent_and_safe_before_start() -> None:
    inbox = Inbox()
    link: Transport = MqttTransport(
        broker_settings(), (HOST, 1), ("a",), inbox.put, inbox.link, SystemClock()
    )
    link.close()
    link.start()
    link.close()
    link.close()


def test_a_connection_that_is_lost_at_the_very_end_does_not_keep_it_from_closing() -> None:
    inbox = Inbox()
    link = MqttTransport(broker_settings(), (HOST, 1), ("a",), inbox.put, inbox.link, SystemClock())
    link.start()
    link._live = True  # as between the loss and the word of it
    link.close()
    assert link.state().endswith("closed")
    assert not [t for t in threading.enumerate() if t.name.startswith("paho-mqtt")]


def test_closing_leaves_no_socket_open(broker: OwnBroker) -> None:
    inbox = Inbox()
    with transport(broker.address, inbox) as link:
        inbox.wait_links(True)
        ends = (link._client.socket(), link._client._sockpairR, link._client._sockpairW)
        assert all(end is not None and end.fileno() >= 0 for end in ends)
    assert [end.fileno() for end in ends if end is not None] == [-1, -1, -1]


def test_the_network_thread_comes_back_after_an_error_of_the_library(broker: OwnBroker) -> None:
    inbox = Inbox()
    died = threading.Event()
    threading.excepthook, hook = lambda _: died.set(), threading.excepthook
    try:
        with transport(broker.address, inbox) as link:
            inbox.wait_links(True)
            client = link._client
            good, pair = client.on_message, (client._sockpairR, client._sockpairW)

            def break_down(*_: object) -> None:
                client.on_message = good
                raise RuntimeError("as a fault in the library would")

            client.on_message = break_down
            publish(broker.address[1], "test/a", "1")
            assert died.wait(60)
            assert "connected since" in link.state()
            publish(broker.address[1], "test/a", "2")
            wait_for(lambda: b"2" in [m.payload for m in inbox.messages])
            for end in pair:  # paho leaves the dead thread's wake-up sockets open
                assert end is not None
                end.close()
    finally:
        threading.excepthook = hook


def test_asking_how_it_is_while_it_starts_makes_no_second_network_thread() -> None:
    inbox = Inbox()
    link = MqttTransport(broker_settings(), (HOST, 1), ("a",), inbox.put, inbox.link, SystemClock())
    client = link._client
    start, entered, inside, most = client.loop_start, threading.Event(), [0], [0]

    def slowly() -> MQTTErrorCode:
        inside[0] += 1
        most[0] = max(most[0], inside[0])
        entered.set()
        threading.Event().wait(0.1)
        inside[0] -= 1
        return start()

    client.loop_start = slowly  # type: ignore[method-assign]
    starting = threading.Thread(target=link.start)
    starting.start()
    assert entered.wait(60)
    assert "127.0.0.1" in link.state()
    starting.join(60)
    link.close()
    assert most[0] == 1
