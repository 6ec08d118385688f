"""The independent watcher's other senses: does the API answer, does anything outside answer?"""

import contextlib
import http.client
import socket
from collections.abc import Sequence
from urllib.parse import urlsplit

TIMEOUT_S = 4.0
_BROKEN = 500  # an answer from here on is a sign of trouble, not of life


def api_answers(url: str, token: str, timeout_s: float = TIMEOUT_S) -> bool:
    """Return whether the health document is served; a refusal for want of a token counts too."""
    parts = urlsplit(url)
    kind = http.client.HTTPSConnection if parts.scheme == "https" else http.client.HTTPConnection
    connection = kind(parts.hostname or "", parts.port, timeout=timeout_s)
    headers = {"Authorization": f"Bearer {token}"} if token else {}
    try:
        connection.request("GET", f"{parts.path.rstrip('/')}/api/v1/health", headers=headers)
        answer = connection.getresponse()
        answer.read(65_536)
    except (OSError, http.client.HTTPException):
        return False
    else:
        return answer.status < _BROKEN
    finally:
        connection.close()


def any_answers(addresses: Sequence[tuple[str, int]], timeout_s: float = TIMEOUT_S) -> bool | None:
    """Return whether one of the addresses takes a TCP connection; None without any address."""
    for address in addresses:
        with contextlib.suppress(OSError), socket.create_connection(address, timeout_s):
            return True
    return False if addresses else None
