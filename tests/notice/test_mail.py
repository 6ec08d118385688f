"""Mail against a real SMTP server (aiosmtpd): what arrives, and what each refusal means."""

import email
import socket
import ssl
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from email import policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
from support.need import need
from support.receivers import NOTICE, smtp_receiver

from weirwatch.domain.errors import PermanentError, TransientError
from weirwatch.notice.mail import MailNotifier, MailServer


def notifier(port: int, **more: Any) -> MailNotifier:
    server = MailServer("127.0.0.1", port, **{"tls": "none", **more})
    return MailNotifier("keeper", server, "weirwatch@hall.example", "keeper@hall.example")


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[ssl.SSLContext, ssl.SSLContext]:
    """A server's context, and a client's that trusts it."""
    folder: Path = tmp_path_factory.mktemp("tls")
    key, crt = folder / "key.pem", folder / "crt.pem"
    subprocess.run(
        [need("openssl"), "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256",
         "-nodes", "-keyout", key, "-out", crt, "-days", "2", "-subj", "/CN=127.0.0.1",
         "-addext", "subjectAltName=IP:127.0.0.1"],
        check=True, capture_output=True,
    )  # fmt: skip
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(crt, key)
    return server, ssl.create_default_context(cafile=str(crt))


def test_a_notice_arrives_as_a_mail() -> None:
    with smtp_receiver() as (box, port):
        notifier(port).send(NOTICE)
    (envelope,) = box.taken
    assert envelope.mail_from == "weirwatch@hall.example"
    assert envelope.rcpt_tos == ["keeper@hall.example"]
    assert isinstance(envelope.content, bytes)
    mail = email.message_from_bytes(envelope.content, policy=policy.default)
    assert isinstance(mail, EmailMessage)
    assert mail["Subject"] == "HIGH: Sump high (Harbour Hall): 320 mm °C"
    assert mail["Message-ID"] == "<7-keeper.1777636800000000@weirwatch.invalid>"
    assert mail["Date"] == "Fri, 01 May 2026 12:00:00 +0000"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["Importance"] == "high"
    assert mail.get_content().splitlines() == NOTICE.text.splitlines()


@pytest.mark.parametrize("at", ["rcpt", "data"])
@pytest.mark.parametrize(
    ("answer", "error"),
    [("450 later", TransientError), ("451 busy", TransientError), ("550 no", PermanentError)],
)
def test_refusals(at: str, answer: str, error: type[Exception]) -> None:
    with smtp_receiver() as (box, port):
        box.refuse[at] = answer
        with pytest.raises(error, match=f"mail to keeper: .*{answer[:3]}"):
            notifier(port).send(NOTICE)
        assert box.taken == []


@pytest.mark.parametrize("tls", ["tls", "starttls"])
def test_over_tls_with_a_login(
    tls: str, certificate: tuple[ssl.SSLContext, ssl.SSLContext]
) -> None:
    server, client = certificate
    more = {"tls": server} if tls == "tls" else {"starttls": server}
    with smtp_receiver(**more, login=tls == "starttls") as (box, port):
        login = {"username": "keeper", "password": "right"} if tls == "starttls" else {}
        notifier(port, tls=tls, context=client, **login).send(NOTICE)
    assert len(box.taken) == 1
    assert box.logins == ([("keeper", "right")] if login else [])


def test_a_wrong_password_is_tried_again_and_never_told(
    certificate: tuple[ssl.SSLContext, ssl.SSLContext],
) -> None:
    server, client = certificate
    with smtp_receiver(starttls=server, login=True) as (box, port):
        mail = notifier(port, tls="starttls", context=client, username="keeper", password="wr0ng")
        with pytest.raises(TransientError, match="the login was refused") as raised:
            mail.send(NOTICE)
    assert "wr0ng" not in str(raised.value) + repr(mail._server)
    assert box.taken == []


@pytest.mark.parametrize("tls", ["tls", "starttls"])
def test_a_certificate_that_nobody_vouches_for(
    tls: str, certificate: tuple[ssl.SSLContext, ssl.SSLContext]
) -> None:
    server, _ = certificate
    more = {"tls": server} if tls == "tls" else {"starttls": server}
    with (
        smtp_receiver(**more) as (box, port),  # type: ignore[arg-type]
        pytest.raises(TransientError, match="SSLCertVerificationError"),
    ):
        notifier(port, tls=tls).send(NOTICE)
    assert box.taken == []


def test_a_server_without_tls_gets_nothing() -> None:
    with smtp_receiver() as (box, port), pytest.raises(TransientError):
        notifier(port, tls="starttls").send(NOTICE)
    assert box.taken == []


def test_nobody_there_and_a_server_that_never_speaks() -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    with pytest.raises(TransientError, match="no answer"):
        notifier(port).send(NOTICE)
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        with pytest.raises(TransientError, match="no answer"):
            notifier(silent.getsockname()[1], timeout_s=0.3).send(NOTICE)


@contextmanager
def odd_server(greeting: bytes, farewell: bytes) -> Iterator[tuple[list[bytes], int]]:
    """An SMTP server that takes mail, with a greeting and a farewell of its own; one connection."""
    taken: list[bytes] = []

    def serve(listening: socket.socket) -> None:
        peer, _ = listening.accept()
        with peer, peer.makefile("rb") as said, suppress(OSError):  # who is refused may just go
            peer.sendall(greeting)
            for line in said:
                word = line[:4].upper()
                if word == b"DATA":
                    peer.sendall(b"354 go on\r\n")
                    taken.append(b"".join(iter(said.readline, b".\r\n")))
                peer.sendall(farewell if word == b"QUIT" else b"250 OK\r\n")

    with socket.create_server(("127.0.0.1", 0)) as listening:
        thread = threading.Thread(target=serve, args=(listening,))
        thread.start()
        yield taken, listening.getsockname()[1]
        thread.join(60)
        assert not thread.is_alive()


@pytest.mark.parametrize(
    "farewell", [b"221 bye\r\n", b"250 OK\r\n", b"421 busy\r\n", b"500 what\r\n", b"?\r\n"]
)
def test_an_odd_farewell_after_the_mail_was_taken_does_not_send_it_again(farewell: bytes) -> None:
    with odd_server(b"220 hall\r\n", farewell) as (taken, port):
        notifier(port).send(NOTICE)
    assert len(taken) == 1


@pytest.mark.parametrize("greeting", [b"554 not for you\r\n", b"421 later\r\n", b"?\r\n"])
def test_a_server_that_refuses_whoever_comes_is_tried_again(greeting: bytes) -> None:
    with (
        odd_server(greeting, b"221 bye\r\n") as (taken, port),
        pytest.raises(TransientError, match="mail to keeper: the server refuses to serve us"),
    ):
        notifier(port).send(NOTICE)
    assert taken == []


@pytest.mark.parametrize("odd", ["\r", "\v", "\x85", "\u2028"])
def test_an_odd_line_end_in_the_first_line_stops_no_mail(odd: str) -> None:
    text = f"Mara{odd}K has not checked in: HIGH: Sump high\nStay out."
    with smtp_receiver() as (box, port):
        notifier(port).send(replace(NOTICE, text=text))
    content = box.taken[0].content
    assert isinstance(content, bytes)
    mail = email.message_from_bytes(content, policy=policy.default)
    assert mail["Subject"] == "Mara K has not checked in: HIGH: Sump high"
