"""Signs of life to a real HTTP receiver: signed, only while the loop turns, failing visibly."""

import base64
import hashlib
import hmac
import json
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.receivers import HttpReceiver, http_receiver
from support.still_clock import NOON, HandClock

from weirwatch.domain.errors import ConfigError
from weirwatch.notice.making import heartbeat_post
from weirwatch.pipeline.heartbeat import LOOK_AGAIN_S, TOLD_AFTER, Heartbeat
from weirwatch.settings import HeartbeatSettings

SECRET = "5ecret-of-the-heart"


@pytest.fixture
def receiver() -> Iterator[HttpReceiver]:
    with http_receiver() as made:
        yield made


class Beating:
    """A heart with a loop that can be stopped by hand."""

    def __init__(self, folder: Path, receiver: HttpReceiver, every_s: float = 60.0) -> None:
        secrets = folder / "heartbeat.toml"
        secrets.write_text(f'url = "{receiver.url}"\nsecret = "{SECRET}"\n')
        self.turns = True
        self.told: list[tuple[str, str]] = []
        clock = HandClock()
        self.heart = Heartbeat(
            heartbeat_post(HeartbeatSettings(secrets_file=secrets), clock, "/weirwatch/service"),
            every_s,
            lambda: self.turns,
            lambda: "ok",
            clock,
            lambda kind, sentence: self.told.append((kind, sentence)),
        )


@pytest.fixture
def beating(tmp_path: Path, receiver: HttpReceiver) -> Beating:
    return Beating(tmp_path, receiver)


def test_each_sign_is_a_signed_cloud_event_of_its_own(
    beating: Beating, receiver: HttpReceiver
) -> None:
    assert [beating.heart.beat_once() for _ in range(2)] == [60.0, 60.0]
    first, second = receiver.posted
    event = json.loads(first.body)
    assert (event["specversion"], event["type"]) == ("1.0", "org.weirwatch.heartbeat")
    assert event["data"] == {"number": 1, "every_s": 60.0, "status": "ok"}
    assert event["id"] == first.headers["Idempotency-Key"] == first.headers["webhook-id"]
    assert event["id"] != json.loads(second.body)["id"]
    # HMAC-SHA256 by the standard library, by hand (RFC 2104); not by our own function.
    signed = f"{event['id']}.{NOON // 1_000_000}.".encode() + first.body
    wanted = base64.b64encode(hmac.digest(SECRET.encode(), signed, hashlib.sha256)).decode()
    assert first.headers["webhook-signature"] == f"v1,{wanted}"
    assert beating.heart.as_json() == {
        "every_s": 60.0,
        "taken": 2,
        "failures": 0,
        "withheld": 0,
        "last_taken_at": "2026-05-01T12:00:00Z",
        "last_error": "",
    }


def test_none_is_sent_while_the_loop_does_not_turn(
    beating: Beating, receiver: HttpReceiver
) -> None:
    beating.turns = False
    assert beating.heart.beat_once() == LOOK_AGAIN_S
    assert receiver.posted == []
    assert beating.heart.withheld == 1
    beating.turns = True
    beating.heart.beat_once()
    assert len(receiver.posted) == 1


def test_what_is_not_taken_is_tried_again_sooner_told_and_told_when_over(
    beating: Beating, receiver: HttpReceiver
) -> None:
    receiver.answers = [(503, {}) for _ in range(8)]
    pauses = [beating.heart.beat_once() for _ in range(8)]
    for number, pause in enumerate(pauses):
        wanted = 2.0**number
        assert min(0.8 * wanted, 60) <= pause <= min(1.2 * wanted, 60)
    assert beating.heart.problem() == "signs of life are not taken (8 in a row): answered 503"
    assert [kind for kind, _ in beating.told] == ["heartbeat-not-taken"]
    beating.heart.beat_once()
    assert beating.heart.problem() is None
    assert [kind for kind, _ in beating.told] == ["heartbeat-not-taken", "heartbeat-taken-again"]
    assert (beating.heart.taken, beating.heart.failures) == (1, 8)
    assert TOLD_AFTER < 8


def test_a_single_failure_is_counted_and_not_told(beating: Beating, receiver: HttpReceiver) -> None:
    receiver.answers = [(500, {})]
    beating.heart.beat_once()
    beating.heart.beat_once()
    assert (beating.heart.failures, beating.told) == (1, [])


def test_asked_for_patience_it_has_it(beating: Beating, receiver: HttpReceiver) -> None:
    receiver.answers = [(429, {"Retry-After": "120"})]
    assert beating.heart.beat_once() == 120.0


def test_nobody_there_and_no_secret_told(tmp_path: Path, receiver: HttpReceiver) -> None:
    beating = Beating(tmp_path, receiver)
    secrets = tmp_path / "heartbeat.toml"
    secrets.write_text(f'url = "http://127.0.0.1:1/{SECRET}"\n')
    out = heartbeat_post(HeartbeatSettings(secrets_file=secrets), HandClock(), "/x")
    heart = Heartbeat(
        out, 60.0, lambda: True, lambda: "ok", HandClock(), lambda *told: beating.told.append(told)
    )
    for _ in range(TOLD_AFTER):
        heart.beat_once()
    assert "no answer (ConnectionRefusedError)" in str(heart.problem())
    assert SECRET not in str(beating.told) + str(heart.as_json()) + str(heart.problem())


def test_its_thread_beats_and_ends(tmp_path: Path, receiver: HttpReceiver) -> None:
    heart = Beating(tmp_path, receiver, every_s=0.02).heart
    thread = threading.Thread(target=heart.run)
    thread.start()
    ends = time.monotonic() + 60
    while len(receiver.posted) < 5:
        assert time.monotonic() < ends
        time.sleep(0.01)
    heart.stop()
    thread.join(60)
    assert not thread.is_alive()


def test_secrets_that_cannot_be_read_stop_the_start() -> None:
    for settings in (HeartbeatSettings(secrets_env="WEIRWATCH_NOT_SET"), HeartbeatSettings()):
        with pytest.raises(ConfigError, match="heartbeat: "):
            heartbeat_post(settings, HandClock(), "/x")
