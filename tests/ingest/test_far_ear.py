"""What the service's connection topic says, and probes against real sockets."""

import socket

import pytest
from support.receivers import http_receiver

from weirwatch.ingest.far_ear import service_word
from weirwatch.ingest.far_probe import any_answers, api_answers
from weirwatch.ingest.mqtt import GOODBYE


@pytest.mark.parametrize(
    ("payload", "word"),
    [
        (b'{"connected": true, "since": "2026-05-01T12:00:00Z"}', "up"),
        (b'{"connected": false}', "lost"),
        (GOODBYE, "stopped"),
        (b'{"connected": false, "planned": "yes"}', "lost"),
        (b"", ""),
        (b"[]", ""),
        (b'{"connected": 1}', ""),
        (b"\xff" * 10, ""),
        (b"[" * 5000, ""),
    ],
)
def test_words(payload: bytes, word: str) -> None:
    assert service_word(payload) == word


def test_an_api_that_answers_and_one_that_does_not() -> None:
    with http_receiver() as receiver:
        base = receiver.url.removesuffix("/alarm?to=keeper")
        # It knows POST only and answers 501: trouble at the other side.
        assert api_answers(base, "") is False
    assert api_answers(base, "", 0.5) is False


def test_outside() -> None:
    with socket.socket() as server:
        server.bind(("127.0.0.1", 0))
        server.listen()
        address = server.getsockname()
        assert any_answers([address]) is True
    assert any_answers([address]) is False
    assert any_answers([]) is None
