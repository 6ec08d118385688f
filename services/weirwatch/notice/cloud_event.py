"""A notice as a CloudEvents 1.0 JSON document (github.com/cloudevents/spec, structured mode)."""

import json

from weirwatch.domain.instant import to_rfc3339
from weirwatch.ports import Notice

CONTENT_TYPE = "application/cloudevents+json; charset=utf-8"


def cloud_event(notice: Notice, source: str) -> bytes:
    """Return the document; its id is the notice's, the same over every retry."""
    why = str(notice.payload.get("why", "call"))
    alarm = notice.payload.get("alarm") or {}
    document = {
        "specversion": "1.0",
        "id": notice.id,
        "source": source,
        "type": f"org.weirwatch.notice.{why.replace('-', '_')}",
        "subject": alarm.get("id") or why,
        "time": to_rfc3339(notice.created),
        "datacontenttype": "application/json",
        "data": {"recipient": notice.recipient, "text": notice.text, **notice.payload},
    }
    return json.dumps(document, ensure_ascii=False).encode()
