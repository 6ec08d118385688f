import errno
import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from support.mqtt_peer import HOST, Inbox, broker_settings, publish, transport
from support.need import need
from support.ports import free_port
from support.service import wait_for

from weirwatch.domain.errors import ConfigError, TransientError
from weirwatch.ingest.broker import (
    OwnBroker,
    broker_address,
    configured_facts,
    start_broker,
)
from weirwatch.ingest.child import began, command_line
from weirwatch.ingest.knock import answers_mqtt, is_free
from weirwatch.ingest.mosquitto_conf import find_mosquitto
from weirwatch.ingest.mqtt import MqttTransport

pytestmark = pytest.mark.broker

OWNER = """
import sys, time
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from support.mqtt_peer import broker_settings
from weirwatch.ingest.broker import start_broker, find_mosquitto
find = find_mosquitto if sys.argv[3] == "mosquitto" else lambda: None
own = start_broker(broker_settings(), Path(sys.argv[1]), find)
print(own.address[1], own._pid, flush=True)
time.sleep(60)
"""


def nothing() -> str | None:
    return None


@pytest.fixture(params=["mosquitto", "embedded"])
def find(request: pytest.FixtureRequest) -> Callable[[], str | None]:
    """Every kind of our own broker keeps the same promises."""
    if request.param == "mosquitto":
        need("mosquitto")
        return find_mosquitto
    return nothing


@pytest.fixture
def started(tmp_path: Path, find: Callable[[], str | None]) -> Iterator[Callable[[], OwnBroker]]:
    """Starts brokers in one data folder and ends them after the test."""
    brokers: list[OwnBroker] = []

    def start() -> OwnBroker:
        own = start_broker(broker_settings(), tmp_path, find)
        assert own is not None
        brokers.append(own)
        return own

    yield start
    for own in brokers:
        own.close()


def killed_owner(folder: Path, find: Callable[[], str | None]) -> tuple[int, int]:
    """Let another process start a broker, kill it with -9; return port and pid of the broker."""
    kind = "embedded" if find is nothing else "mosquitto"
    command = [sys.executable, "-c", OWNER, str(folder), str(Path(__file__).parents[1]), kind]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as owner:
        assert owner.stdout is not None
        port, pid = map(int, owner.stdout.readline().split())
        owner.send_signal(signal.SIGKILL)
    assert began(pid) is not None, "the broker must outlive its owner"
    return port, pid


def wait_until_out(link: MqttTransport) -> None:
    """Wait until the broker has all that was published; what waits when it closes is lost."""
    wait_for(lambda: not link._client._out_messages)


def test_it_answers_until_it_is_closed(started: Callable[[], OwnBroker]) -> None:
    own = started()
    host, port = own.address
    assert own.alive()
    wait_for(own.answers)
    assert own.facts.address == f"{host}:{port}"
    own.close()
    own.close()
    assert not own.alive()
    assert is_free(host, port)


def test_it_is_closed_though_the_disk_is_full(
    started: Callable[[], OwnBroker], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    broker = started()
    monkeypatch.setattr("weirwatch.ingest.child.write_record", refuse)
    broker.close()
    assert not broker.alive()


def test_messages_pass_and_wait_for_the_acknowledgement(started: Callable[[], OwnBroker]) -> None:
    own = started()
    first, again, sender = Inbox(), Inbox(), broker_settings(client_id="sender", root="other")
    with (
        transport(own.address, first),
        transport(own.address, Inbox(), ("none",), sender) as link,
    ):
        first.wait_links(True)
        for number in range(150):
            link.publish("test/a", str(number).encode())
        window = min(150, own.facts.window)
        assert len(first.wait_messages(window)) == window
        wait_until_out(link)
    with transport(own.address, again) as link:
        got: list[bytes] = []
        while len(got) < 150:
            new = again.wait_messages(len(got) + 1)[len(got) :]
            got += [message.payload for message in new]
            link.ack(new)
        assert got == [str(number).encode() for number in range(150)]


def test_a_survivor_is_taken_over_with_its_queue(
    tmp_path: Path, find: Callable[[], str | None], started: Callable[[], OwnBroker]
) -> None:
    port, pid = killed_owner(tmp_path, find)
    inbox = Inbox()
    with transport((HOST, port), inbox):
        inbox.wait_links(True)
    publish(port, "test/a", "while nobody listened")
    own = started()
    assert own.address == (HOST, port)
    assert own._pid == pid
    assert own.alive()
    with transport(own.address, inbox):
        assert inbox.wait_messages(1)[0].payload == b"while nobody listened"
    own.close()
    assert began(pid) is None
    assert is_free(HOST, port)


def test_a_survivor_that_does_not_answer_is_replaced_on_its_port(
    tmp_path: Path, find: Callable[[], str | None], started: Callable[[], OwnBroker]
) -> None:
    port, pid = killed_owner(tmp_path, find)
    os.kill(pid, signal.SIGSTOP)
    own = started()
    assert began(pid) is None
    assert own._pid != pid
    assert own.address == (HOST, port)
    wait_for(own.answers)


def test_a_survivor_without_a_record_is_found(
    tmp_path: Path, find: Callable[[], str | None], started: Callable[[], OwnBroker]
) -> None:
    _, pid = killed_owner(tmp_path, find)
    (tmp_path / "broker" / "broker.json").write_text("{rubbish")
    own = started()
    assert began(pid) is None
    wait_for(own.answers)


def test_a_record_of_a_reused_process_id_harms_nobody(
    tmp_path: Path, started: Callable[[], OwnBroker]
) -> None:
    with subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"]) as other:
        folder = tmp_path / "broker"
        folder.mkdir()
        record = {"kind": "own mosquitto", "pid": other.pid, "began": began(other.pid)}
        record |= {"host": HOST, "port": free_port()}
        (folder / "broker.json").write_text(json.dumps(record))
        own = started()
        assert own._pid != other.pid
        wait_for(own.answers)
        assert other.poll() is None
        other.kill()


def test_a_free_port_is_remembered(started: Callable[[], OwnBroker]) -> None:
    first = started()
    address = first.address
    first.close()
    assert started().address == address


def test_death_is_seen_and_restart_keeps_the_port(started: Callable[[], OwnBroker]) -> None:
    own = started()
    address, pid = own.address, own._pid
    assert pid is not None
    inbox = Inbox()
    with transport(own.address, inbox):
        inbox.wait_links(True)
        os.kill(pid, signal.SIGKILL)
        inbox.wait_links(True, False)
        wait_for(lambda: not own.alive())  # the connection goes first, the process a moment later
        own.restart()
        assert own.alive()
        assert own.address == address
        assert own._pid != pid
        inbox.wait_links(True, False, True)


def test_restart_while_the_port_is_taken_can_be_tried_again(
    started: Callable[[], OwnBroker],
) -> None:
    own = started()
    own.close()
    with socket.socket() as thief:
        thief.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        thief.bind(own.address)
        thief.listen()
        with pytest.raises(TransientError, match="the port is taken"):
            own.restart()
        assert not own.alive()
    own.restart()
    wait_for(own.answers)


def test_a_taken_port_is_one_clear_sentence(tmp_path: Path, find: Callable[[], str | None]) -> None:
    with socket.socket() as other:
        other.bind((HOST, 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(ConfigError) as caught:
            start_broker(broker_settings(listen=(HOST, port)), tmp_path, find)
    (sentence,) = caught.value.problems
    assert f'broker.listen = "{HOST}:{port}": the port is taken by another program' in sentence
    assert f'broker.url = "mqtt://{HOST}:{port}"' in sentence
    assert "\n" not in sentence


def test_a_changed_port_replaces_the_survivor(
    tmp_path: Path, find: Callable[[], str | None]
) -> None:
    old_port, pid = killed_owner(tmp_path, find)
    port = free_port()
    own = start_broker(broker_settings(listen=(HOST, port)), tmp_path, find)
    assert own is not None
    assert own.address == (HOST, port)
    assert began(pid) is None
    assert is_free(HOST, old_port)
    own.close()


def test_the_other_kind_of_survivor_is_ended(tmp_path: Path) -> None:
    need("mosquitto")
    _, pid = killed_owner(tmp_path, nothing)
    own = start_broker(broker_settings(), tmp_path)
    assert own is not None
    assert own.facts.kind == "own mosquitto"
    assert began(pid) is None
    own.close()


def test_a_folder_with_a_space_and_mosquittos_own_limits(tmp_path: Path) -> None:
    need("mosquitto")
    folder = tmp_path / "Harbour Hall data"
    own = start_broker(broker_settings(), folder)
    assert own is not None
    assert own._pid is not None
    assert command_line(own._pid)[-1] == str(folder / "broker" / "mosquitto.conf")
    conf = (folder / "broker" / "mosquitto.conf").read_text().split("\n")
    for line in ("max_queued_messages 0", "max_inflight_messages 1000", "persistence true"):
        assert line in conf
    assert own.facts.kind == "own mosquitto"
    assert own.facts.window == 1000
    assert "60 s" in own.facts.limits
    own.close()
    assert (folder / "broker" / "mosquitto.db").stat().st_size > 0


def test_more_than_a_thousand_messages_wait_while_the_service_is_away(tmp_path: Path) -> None:
    need("mosquitto")
    own = start_broker(broker_settings(), tmp_path)
    assert own is not None
    inbox, sender = Inbox(), Inbox()
    with transport(own.address, inbox):
        inbox.wait_links(True)
    with transport(
        own.address, sender, ("none",), broker_settings(client_id="sender", root="other")
    ) as link:
        sender.wait_links(True)
        for number in range(1500):
            link.publish("test/a", str(number).encode())
        wait_until_out(link)
    own.close()
    own.start()  # and over its own orderly restart
    back = Inbox()
    with transport(own.address, back) as link:
        messages = back.wait_messages(1000)
        link.ack(messages)
        messages = back.wait_messages(1500)
        assert [m.payload for m in messages] == [str(n).encode() for n in range(1500)]
    own.close()


def test_the_embedded_broker_is_named_with_its_limits(tmp_path: Path) -> None:
    own = start_broker(broker_settings(), tmp_path, nothing)
    assert own is not None
    assert own.facts.kind == "embedded (for trying out)"
    assert own.facts.window == 100
    assert "install mosquitto" in own.facts.limits
    own.close()
    with pytest.raises(ConfigError, match="the embedded broker speaks"):
        start_broker(broker_settings(protocol="5"), tmp_path, nothing)


def test_a_broker_that_cannot_start_shows_its_last_words(tmp_path: Path) -> None:
    false = tmp_path / "mosquitto"
    false.write_text("#!/bin/sh\necho 'Error: no such luck' >&2\nexit 1\n")
    false.chmod(0o755)
    with pytest.raises(ConfigError, match=r"did not come up .*last line: Error: no such luck"):
        start_broker(broker_settings(), tmp_path, lambda: str(false))
    with pytest.raises(ConfigError, match="cannot be started"):
        start_broker(broker_settings(), tmp_path, lambda: str(tmp_path / "gone"))


def test_only_loopback_for_a_broker_without_logins(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="this machine only"):
        start_broker(broker_settings(listen=("0.0.0.0", 1883)), tmp_path)
    assert not (tmp_path / "broker").exists()


def test_a_data_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(ConfigError, match="the broker's folder cannot be made"):
        start_broker(broker_settings(), tmp_path / "file")


def test_a_configured_broker_is_left_alone(tmp_path: Path) -> None:
    settings = broker_settings(url="mqtt://broker.example")
    assert start_broker(settings, tmp_path) is None
    facts = configured_facts(settings)
    assert (facts.kind, facts.address, facts.window) == ("configured", "broker.example:1883", 20)
    assert broker_address("mqtts://x") == ("x", 8883)
    assert broker_address("mqtt://[::1]:1884") == ("::1", 1884)


def test_knocking() -> None:
    port = free_port()
    assert is_free(HOST, port)
    assert not answers_mqtt(HOST, port, 0.5)
    with socket.socket() as silent:
        silent.bind((HOST, port))
        silent.listen()
        assert not is_free(HOST, port)
        assert not answers_mqtt(HOST, port, 0.2)
    with pytest.raises(OSError):
        is_free("192.0.2.1", 1883)  # RFC 5737: nobody's address
