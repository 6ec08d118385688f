"""One sign of life by HTTP POST: CloudEvents 1.0, signed like a notice's webhook."""

import json

from weirwatch.domain.errors import TransientError
from weirwatch.domain.instant import to_rfc3339
from weirwatch.notice.cloud_event import CONTENT_TYPE
from weirwatch.notice.http_post import HttpPost, signed_headers
from weirwatch.ports import Clock, SignOfLife


class HeartbeatPost:
    """Posts each sign of life to one address.

    Args:
        secret: signs; empty: not signed.
        source: of the CloudEvents.
        clock: dates event and signature.
    """

    def __init__(self, post: HttpPost, secret: str, source: str, clock: Clock) -> None:
        self._post = post
        self._secret = secret.encode()
        self._source = source
        self._clock = clock

    def send(self, sign: SignOfLife) -> None:
        """Post one sign of life.

        Raises:
            TransientError: it was not taken; the next is tried all the same.
        """
        now = self._clock.now().utc
        ident = f"heartbeat-{now}-{sign.number}"
        document = {
            "specversion": "1.0",
            "id": ident,
            "source": self._source,
            "type": "org.weirwatch.heartbeat",
            "subject": "heartbeat",
            "time": to_rfc3339(now),
            "datacontenttype": "application/json",
            "data": {"number": sign.number, "every_s": sign.every_s, "status": sign.status},
        }
        body = json.dumps(document, ensure_ascii=False).encode()
        headers = signed_headers(self._secret, ident, body, CONTENT_TYPE, self._clock)
        answer = self._post(body, headers)
        if not answer.taken:
            raise TransientError(answer.sentence, answer.retry_after_s)
