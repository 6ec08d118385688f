"""Webhooks against a real HTTP server: what arrives, and what each answer means."""

import base64
import hashlib
import hmac
import json
import socket
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
from cloudevents.core.bindings.http import HTTPMessage, from_http_event
from support.receivers import NOTICE, HttpReceiver, http_receiver
from support.still_clock import HandClock

from weirwatch.domain.errors import PermanentError, TransientError
from weirwatch.notice.webhook import WebhookNotifier

SECRET = "a secret that nobody may see"


@pytest.fixture
def receiver() -> Iterator[HttpReceiver]:
    with http_receiver() as made:
        yield made


def notifier(receiver: HttpReceiver, **more: Any) -> WebhookNotifier:
    source = "/weirwatch/service"
    return WebhookNotifier("keeper", receiver.url, SECRET, source, HandClock(), **more)


def test_a_notice_arrives_as_a_cloud_event(receiver: HttpReceiver) -> None:
    notifier(receiver).send(NOTICE)
    (posted,) = receiver.posted
    assert posted.path == "/alarm?to=keeper"
    assert posted.headers["Content-Type"].startswith("application/cloudevents+json")
    event = json.loads(posted.body)
    # CloudEvents 1.0.2: required attributes are id, source, specversion, type.
    assert (event["specversion"], event["id"]) == ("1.0", "7-keeper")
    assert event["source"] == "/weirwatch/service"
    assert event["type"] == "org.weirwatch.notice.call"
    assert event["subject"] == "sump-high"
    assert event["time"] == "2026-05-01T12:00:00Z"
    assert event["data"]["text"] == NOTICE.text
    assert event["data"]["alarm"]["id"] == "sump-high"


def test_the_package_of_the_standard_reads_it(receiver: HttpReceiver) -> None:
    """By `cloudevents`, the Python SDK of the CloudEvents project, which checks what it reads."""
    notifier(receiver).send(NOTICE)
    (posted,) = receiver.posted
    event = from_http_event(HTTPMessage(dict(posted.headers.items()), posted.body))
    assert (event.get_specversion(), event.get_id()) == ("1.0", "7-keeper")
    assert event.get_time() == datetime(2026, 5, 1, 12, tzinfo=UTC)
    data = event.get_data()
    assert isinstance(data, dict)
    assert data["text"] == NOTICE.text


def test_the_same_id_every_time(receiver: HttpReceiver) -> None:
    for _ in range(2):
        notifier(receiver).send(NOTICE)
    assert [posted.headers["Idempotency-Key"] for posted in receiver.posted] == ["7-keeper"] * 2


def test_the_signature_is_verified_by_other_code(receiver: HttpReceiver) -> None:
    notifier(receiver).send(NOTICE)
    (posted,) = receiver.posted
    ident, stamp = posted.headers["webhook-id"], posted.headers["webhook-timestamp"]
    assert (ident, stamp) == ("7-keeper", "1777636800")
    version, _, sent = posted.headers["webhook-signature"].partition(",")
    signed = b".".join([ident.encode(), stamp.encode(), posted.body])
    expected = hmac.digest(SECRET.encode(), signed, hashlib.sha256)
    assert version == "v1"
    assert base64.b64decode(sent) == expected
    assert SECRET not in str(posted)


def test_without_a_secret_nothing_is_signed(receiver: HttpReceiver) -> None:
    WebhookNotifier("keeper", receiver.url, "", "/x", HandClock()).send(NOTICE)
    assert not [name for name in receiver.posted[0].headers if name.startswith("webhook-")]


@pytest.mark.parametrize("status", [500, 502, 503, 504, 408, 425, 429])
def test_what_may_work_later(receiver: HttpReceiver, status: int) -> None:
    receiver.answers = [(status, {})]
    with pytest.raises(TransientError, match=f"webhook of keeper: answered {status}") as raised:
        notifier(receiver).send(NOTICE)
    assert raised.value.retry_after_s is None


@pytest.mark.parametrize("status", [301, 400, 401, 403, 404, 410, 422])
def test_what_will_not(receiver: HttpReceiver, status: int) -> None:
    receiver.answers = [(status, {"Location": "http://127.0.0.1:1/"})]
    with pytest.raises(PermanentError, match=f"answered {status}: correct its url"):
        notifier(receiver).send(NOTICE)
    assert len(receiver.posted) == 1


@pytest.mark.parametrize(
    ("told", "waits"),
    [("120", 120.0), ("999999", 3600.0), ("soon", None), ("Fri, 01 May 2026 12:00:00 GMT", None)],
)
def test_asked_to_wait(receiver: HttpReceiver, told: str, waits: float | None) -> None:
    receiver.answers = [(429, {"Retry-After": told})]
    with pytest.raises(TransientError) as raised:
        notifier(receiver).send(NOTICE)
    assert raised.value.retry_after_s == waits


def test_a_slow_server_is_not_waited_for(receiver: HttpReceiver) -> None:
    receiver.slow_s = 30
    with pytest.raises(TransientError, match=r"no answer \(TimeoutError\)"):
        notifier(receiver, timeout_s=0.2).send(NOTICE)


def test_nobody_there() -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        url = f"http://127.0.0.1:{probe.getsockname()[1]}/token-in-the-path"
    with pytest.raises(TransientError) as raised:
        WebhookNotifier("keeper", url, SECRET, "/x", HandClock()).send(NOTICE)
    assert "token" not in str(raised.value)


def test_an_answer_that_is_no_http() -> None:
    with socket.socket() as server:
        server.bind(("127.0.0.1", 0))
        server.listen()
        url = f"http://127.0.0.1:{server.getsockname()[1]}/"
        waiting = WebhookNotifier("keeper", url, "", "/x", HandClock(), timeout_s=0.3)
        with pytest.raises(TransientError, match="no answer"):
            waiting.send(NOTICE)


def test_an_address_with_letters_of_any_language(receiver: HttpReceiver) -> None:
    receiver.url = receiver.url.replace("/alarm?to=keeper", "/läuft über/a%20b?to=Åse&x=ä%2F")
    notifier(receiver).send(NOTICE)
    assert receiver.posted[0].path == "/l%C3%A4uft%20%C3%BCber/a%20b?to=%C3%85se&x=%C3%A4%2F"
