"""Telling the service manager how we are: ready, alive, stopping (systemd's sd_notify(3) protocol).

Datagrams to the Unix socket in `NOTIFY_SOCKET`; without that variable nothing is sent.
"""

import logging
import os
import socket
from collections.abc import Mapping

from weirwatch.domain.instant import Micros

log = logging.getLogger(__name__)


class ServiceManager:
    """What the environment says of the service manager.

    Args:
        environment: `NOTIFY_SOCKET`, `WATCHDOG_USEC`, `WATCHDOG_PID`.
    """

    def __init__(self, environment: Mapping[str, str]) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        self._every = _watchdog(environment) // 2
        self._beat_at: Micros | None = None

    def ready(self) -> None:
        """Say that the start is done."""
        self._tell("READY=1")

    def stopping(self) -> None:
        """Say that an orderly stop has begun."""
        self._tell("STOPPING=1")

    def beat(self, now: Micros, *, alive: bool) -> None:
        """Say that we live, twice as often as is asked for; call it often.

        Args:
            now: real monotonic time.
            alive: the loop turns; without that nothing is said, and the manager starts us anew.
        """
        if not self._every or not alive:
            return
        if self._beat_at is None or now - self._beat_at >= self._every:
            self._beat_at = now
            self._tell("WATCHDOG=1")

    def _tell(self, message: str) -> None:
        if not self._address.startswith(("/", "@")):
            return
        address = f"\0{self._address[1:]}" if self._address[0] == "@" else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
                sender.settimeout(1.0)
                sender.connect(address)
                sender.send(message.encode())
        except OSError as trouble:
            log.warning("service_manager.not_told message=%s error=%s", message, trouble)


def _watchdog(environment: Mapping[str, str]) -> Micros:
    """Return the span within which the manager wants a sign of life; 0: it wants none."""
    wanted = environment.get("WATCHDOG_USEC", "")
    meant_for = environment.get("WATCHDOG_PID", "")
    if not wanted.isascii() or not wanted.isdigit():
        return 0
    return int(wanted) if not meant_for or meant_for == str(os.getpid()) else 0
