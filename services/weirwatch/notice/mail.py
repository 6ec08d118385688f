"""Notices by mail, over SMTP (RFC 5321) with TLS."""

import contextlib
import smtplib
import ssl
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.message import EmailMessage
from email.utils import format_datetime
from typing import Literal

from weirwatch.domain.errors import PermanentError, TransientError
from weirwatch.notice.time_limit import LONGEST_S, at_most
from weirwatch.ports import Notice

TIMEOUT_S = 10.0
_AT_YOUR_SERVICE = 220
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_URGENT = ("high", "critical")


@dataclass(frozen=True, slots=True)
class MailServer:
    """Where mail is handed in.

    Attributes:
        tls: "starttls" (port 587), "tls" from the first byte on (465), or "none".
        context: trust; None: the system's.
        password: never shown.
        timeout_s: real seconds for each wait for the server.
        longest_s: real seconds for handing in one mail.
    """

    host: str
    port: int
    tls: Literal["starttls", "tls", "none"] = "starttls"
    context: ssl.SSLContext | None = None
    username: str = ""
    password: str = field(default="", repr=False)
    timeout_s: float = TIMEOUT_S
    longest_s: float = LONGEST_S


class MailNotifier:
    """Hands each notice in as one mail to one address, with a Message-ID made of its id."""

    def __init__(self, recipient: str, server: MailServer, sender: str, to: str) -> None:
        self._recipient = recipient
        self._server = server
        self._sender = sender
        self._to = to

    def send(self, notice: Notice) -> None:
        """Hand one notice in.

        Once the server has taken the text it counts as handed in, whatever follows.

        Raises:
            TransientError: no answer, a 4yz answer, or a refusal to serve us or our login, which
                says nothing of the notice and can be put right.
            PermanentError: a 5yz answer to sender, address or text.
        """
        message = self.message(notice)
        try:
            self._hand_in(message)
        except smtplib.SMTPAuthenticationError:
            # A wrong password can be put right; the notice must not be lost meanwhile.
            raise TransientError(f"mail to {self._recipient}: the login was refused") from None
        except smtplib.SMTPRecipientsRefused as refusal:
            code = max(code for code, _ in refusal.recipients.values())
            raise self._error(code, "the address was refused") from None
        except (smtplib.SMTPSenderRefused, smtplib.SMTPDataError) as refusal:
            raise self._error(refusal.smtp_code, "the server refused it") from None
        except smtplib.SMTPResponseException as refusal:  # to the greeting, HELO or STARTTLS
            code = refusal.smtp_code
            raise TransientError(
                f"mail to {self._recipient}: the server refuses to serve us ({code})"
            ) from None
        except (OSError, smtplib.SMTPException, ssl.SSLError) as trouble:
            name = type(trouble).__name__
            raise TransientError(f"mail to {self._recipient}: no answer ({name})") from None

    def close(self) -> None:
        """Do nothing: each notice has a connection of its own."""

    def message(self, notice: Notice) -> EmailMessage:
        """Return the mail: subject is the notice's first line."""
        # A name that somebody gave may hold what a subject must not: other ends of a line.
        first = " ".join(notice.text.partition("\n")[0].splitlines())
        message = EmailMessage()
        message["Subject"] = first
        message["From"] = self._sender
        message["To"] = self._to
        message["Date"] = format_datetime(_EPOCH + timedelta(microseconds=notice.created))
        message["Message-ID"] = f"<{notice.id}.{notice.created}@weirwatch.invalid>"
        message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no holiday answers, please
        alarm = notice.payload.get("alarm") or {}
        if alarm.get("priority") in _URGENT and notice.payload.get("why") != "returned":
            message["Importance"] = "high"  # RFC 2156
            message["X-Priority"] = "1"
        message.set_content(notice.text)
        return message

    def _hand_in(self, message: EmailMessage) -> None:
        server = self._server
        smtp = self._client()
        try:
            with at_most(server.longest_s, lambda: smtp.sock):
                code, said = smtp.connect(server.host, server.port)
                if code != _AT_YOUR_SERVICE:
                    raise smtplib.SMTPConnectError(code, said)
                if server.tls == "starttls":
                    smtp.starttls(context=self._context())
                if server.username:
                    smtp.login(server.username, server.password)
                smtp.send_message(message)
                with contextlib.suppress(OSError, smtplib.SMTPException):
                    smtp.quit()  # good manners: an odd answer must not send it again
        finally:
            smtp.close()

    def _client(self) -> smtplib.SMTP:
        """Return a client that is not connected yet, so that its socket is known from the start."""
        server = self._server
        smtp = (
            smtplib.SMTP_SSL(timeout=server.timeout_s, context=self._context())
            if server.tls == "tls"
            else smtplib.SMTP(timeout=server.timeout_s)
        )
        # Whose certificate it must be: only its constructor, which connects at once, takes that.
        smtp._host = server.host  # type: ignore[attr-defined]
        return smtp

    def _context(self) -> ssl.SSLContext:
        return self._server.context or ssl.create_default_context()

    def _error(self, code: int, what: str) -> TransientError | PermanentError:
        sentence = f"mail to {self._recipient}: {what} ({code})"
        return PermanentError(sentence) if code >= 500 else TransientError(sentence)
