"""One HTTP POST: signed, with patience, and its answer without the address in it.

Signature as of Standard Webhooks (from memory): HMAC-SHA256 over `id.timestamp.body`, base64, in
`webhook-signature: v1,…`. `Idempotency-Key` carries the id.
"""

import base64
import contextlib
import hashlib
import hmac
import http.client
import socket
import ssl
from dataclasses import dataclass
from urllib.parse import SplitResult, quote, urlsplit

from weirwatch.domain.instant import SECOND
from weirwatch.notice.time_limit import LONGEST_S, at_most
from weirwatch.ports import Clock

TIMEOUT_S = 10.0
LATER = (408, 425, 429)  # refusals that a later try may not meet
_LONGEST_WAIT_S = 3600.0
_ENOUGH = 4096  # bytes of an answer that are read
_AS_WRITTEN = (
    "%/:?@!$&'()*+,;=[]|{}^`\"<>\\#"  # of an address; only the rest is not ASCII, or blank
)


@dataclass(frozen=True, slots=True)
class Answer:
    """What the other side said.

    Attributes:
        status: of HTTP; None: no answer.
        sentence: for people; never has the address in it, for it may hold a secret.
        retry_after_s: how long it asks to be left alone.
    """

    status: int | None
    sentence: str
    retry_after_s: float | None = None

    @property
    def taken(self) -> bool:
        """Whether it was taken."""
        return self.status is not None and 200 <= self.status < 300


class HttpPost:
    """Posts to one address; each time on a connection of its own.

    Args:
        url: http or https.
        tls: trust for https; None: the system's.
        timeout_s: real seconds for connecting, and for each wait for the other side.
        longest_s: real seconds for all of it.
    """

    def __init__(
        self,
        url: str,
        tls: ssl.SSLContext | None = None,
        timeout_s: float = TIMEOUT_S,
        longest_s: float = LONGEST_S,
    ) -> None:
        self._url: SplitResult = urlsplit(url)
        self._tls = tls
        self._timeout_s = timeout_s
        self._longest_s = longest_s

    def __call__(self, body: bytes, headers: dict[str, str]) -> Answer:
        """Post once and wait for the answer; its status counts, whatever becomes of the rest."""
        connection = self._connection()
        sock: socket.socket | None = None
        query = f"?{self._url.query}" if self._url.query else ""
        path = quote(f"{self._url.path or '/'}{query}", _AS_WRITTEN)
        try:
            with at_most(self._longest_s, lambda: sock or connection.sock):
                connection.request("POST", path, body, headers)
                sock = connection.sock  # the connection forgets it before the answer is read
                answer = connection.getresponse()
                with contextlib.suppress(OSError, http.client.HTTPException):
                    answer.read(_ENOUGH)  # good manners
            wait = _seconds(answer.headers.get("Retry-After"))
            return Answer(answer.status, f"answered {answer.status}", wait)
        except (OSError, http.client.HTTPException) as trouble:
            return Answer(None, f"no answer ({type(trouble).__name__})")
        finally:
            _end(connection)

    def _connection(self) -> http.client.HTTPConnection:
        host, port, wait = self._url.hostname or "", self._url.port, self._timeout_s
        if self._url.scheme == "https":
            return http.client.HTTPSConnection(host, port, timeout=wait, context=self._tls)
        return http.client.HTTPConnection(host, port, timeout=wait)


def signed_headers(
    secret: bytes, ident: str, body: bytes, content_type: str, clock: Clock
) -> dict[str, str]:
    """Return the headers of one message; without a secret it is not signed."""
    headers = {
        "Content-Type": content_type,
        "User-Agent": "weirwatch",
        "Idempotency-Key": ident,
        "Connection": "close",
    }
    if secret:
        stamp = str(clock.now().utc // SECOND)
        headers |= {
            "webhook-id": ident,
            "webhook-timestamp": stamp,
            "webhook-signature": f"v1,{signature(secret, ident, stamp, body)}",
        }
    return headers


def signature(secret: bytes, ident: str, stamp: str, body: bytes) -> str:
    """Return the base64 HMAC-SHA256 of one message."""
    signed = f"{ident}.{stamp}.".encode() + body
    return base64.b64encode(hmac.new(secret, signed, hashlib.sha256).digest()).decode()


def _seconds(retry_after: str | None) -> float | None:
    """Return Retry-After in seconds; the form with a date is left to our own back-off."""
    text = (retry_after or "").strip()
    return min(float(text), _LONGEST_WAIT_S) if text.isascii() and text.isdigit() else None


def _end(connection: http.client.HTTPConnection) -> None:
    if connection.sock is not None:
        with contextlib.suppress(OSError):  # the other side was faster
            connection.sock.shutdown(socket.SHUT_RDWR)
    connection.close()
