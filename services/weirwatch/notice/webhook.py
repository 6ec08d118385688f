"""Notices by HTTP POST: CloudEvents 1.0, signed, with an idempotency key.

Signature as of Standard Webhooks (from memory): HMAC-SHA256 over `id.timestamp.body`, base64, in
`webhook-signature: v1,…`. `Idempotency-Key` carries the notice's id.
"""

import base64
import contextlib
import hashlib
import hmac
import http.client
import socket
import ssl
from urllib.parse import SplitResult, urlsplit

from weirwatch.domain.errors import PermanentError, TransientError
from weirwatch.domain.instant import SECOND
from weirwatch.notice.cloud_event import CONTENT_TYPE, cloud_event
from weirwatch.ports import Clock, Notice

TIMEOUT_S = 10.0
_LATER = (408, 425, 429)  # refusals that a later try may not meet
_LONGEST_WAIT_S = 3600.0
_ENOUGH = 4096  # bytes of an answer that are read


class WebhookNotifier:
    """Posts each notice to one URL.

    Args:
        recipient: named in errors; the URL is not, for it may hold a secret.
        url: http or https.
        secret: signs; empty: not signed.
        source: of the CloudEvents.
        clock: dates the signature.
        tls: trust for https; None: the system's.
        timeout_s: real seconds for connecting, and for each wait for the other side.
    """

    def __init__(
        self,
        recipient: str,
        url: str,
        secret: str,
        source: str,
        clock: Clock,
        tls: ssl.SSLContext | None = None,
        timeout_s: float = TIMEOUT_S,
    ) -> None:
        self._recipient = recipient
        self._url: SplitResult = urlsplit(url)
        self._secret = secret.encode()
        self._source = source
        self._clock = clock
        self._tls = tls
        self._timeout_s = timeout_s

    def send(self, notice: Notice) -> None:
        """Post one notice.

        Raises:
            TransientError: no answer, 5xx, or 408, 425, 429 (with its Retry-After).
            PermanentError: any other answer but 2xx.
        """
        body = cloud_event(notice, self._source)
        try:
            status, retry_after = self._post(body, self._headers(notice.id, body))
        except (OSError, http.client.HTTPException) as trouble:
            name = type(trouble).__name__
            raise TransientError(f"webhook of {self._recipient}: no answer ({name})") from None
        if 200 <= status < 300:
            return
        sentence = f"webhook of {self._recipient}: answered {status}"
        if status >= 500 or status in _LATER:
            raise TransientError(sentence, retry_after)
        raise PermanentError(f"{sentence}: correct its url or secret")

    def close(self) -> None:
        """Do nothing: each notice has a connection of its own."""

    def _headers(self, ident: str, body: bytes) -> dict[str, str]:
        headers = {
            "Content-Type": CONTENT_TYPE,
            "User-Agent": "weirwatch",
            "Idempotency-Key": ident,
            "Connection": "close",
        }
        if self._secret:
            stamp = str(self._clock.now().utc // SECOND)
            headers |= {
                "webhook-id": ident,
                "webhook-timestamp": stamp,
                "webhook-signature": f"v1,{signature(self._secret, ident, stamp, body)}",
            }
        return headers

    def _post(self, body: bytes, headers: dict[str, str]) -> tuple[int, float | None]:
        host, port = self._url.hostname or "", self._url.port
        connection: http.client.HTTPConnection
        if self._url.scheme == "https":
            connection = http.client.HTTPSConnection(
                host, port, timeout=self._timeout_s, context=self._tls
            )
        else:
            connection = http.client.HTTPConnection(host, port, timeout=self._timeout_s)
        path = (self._url.path or "/") + (f"?{self._url.query}" if self._url.query else "")
        try:
            connection.request("POST", path, body, headers)
            answer = connection.getresponse()
            answer.read(_ENOUGH)
            return answer.status, _seconds(answer.headers.get("Retry-After"))
        finally:
            _end(connection)


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
