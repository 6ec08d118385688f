"""Notices by HTTP POST: CloudEvents 1.0, signed, with an idempotency key."""

import ssl

from weirwatch.domain.errors import PermanentError, TransientError
from weirwatch.notice.cloud_event import CONTENT_TYPE, cloud_event
from weirwatch.notice.http_post import LATER, TIMEOUT_S, HttpPost, signed_headers
from weirwatch.ports import Clock, Notice


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
        self._post = HttpPost(url, tls, timeout_s)
        self._secret = secret.encode()
        self._source = source
        self._clock = clock

    def send(self, notice: Notice) -> None:
        """Post one notice.

        Raises:
            TransientError: no answer, 5xx, or 408, 425, 429 (with its Retry-After).
            PermanentError: any other answer but 2xx.
        """
        body = cloud_event(notice, self._source)
        headers = signed_headers(self._secret, notice.id, body, CONTENT_TYPE, self._clock)
        answer = self._post(body, headers)
        if answer.taken:
            return
        sentence = f"webhook of {self._recipient}: {answer.sentence}"
        if answer.status is None or answer.status >= 500 or answer.status in LATER:
            raise TransientError(sentence, answer.retry_after_s)
        raise PermanentError(f"{sentence}: correct its url or secret")

    def close(self) -> None:
        """Do nothing: each notice has a connection of its own."""
