"""The home of the core as seen by the web process and the command line: the socket's client end."""

import contextlib
import os
import socket
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from weirwatch.control import endpoint, protocol
from weirwatch.domain.errors import PermanentError, RefusedEntry, TransientError
from weirwatch.ports import Command

_CHUNK = 65536


class ControlClient:
    """The running core (port `Core`). Every call has a connection of its own; thread-safe.

    Attributes:
        path: the control socket's file.
        command_timeout_s: longest wait for a command to become durable.
        health_timeout_s: longest wait for the health document, and for connecting.
    """

    def __init__(
        self, path: Path, *, command_timeout_s: float = 20.0, health_timeout_s: float = 5.0
    ) -> None:
        self.path = path
        self.command_timeout_s = command_timeout_s
        self.health_timeout_s = health_timeout_s

    def command(self, command: Command) -> Mapping[str, Any]:
        """Carry out a command; return the alarm as JSON once it is durable.

        Raises:
            IllegalCommand: the alarm's state does not allow it; nothing was changed.
            UnknownRule: no rule has that id.
            TransientError: the core does not run, is busy, or did not answer in time.
            PermanentError: the core failed on it.
        """
        request = {"do": "command", "command": protocol.command_as_json(command)}
        return self._ask(request, self.command_timeout_s)

    def health(self) -> Mapping[str, Any]:
        """Return the core's health document.

        Raises:
            TransientError: the core does not run or did not answer in time.
        """
        return self._ask({"do": "health"}, self.health_timeout_s)

    def access(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """Ask for a change of access rights, or put something on the audit.

        Raises:
            ConfigError: it cannot be done as asked; nothing was changed.
            TransientError: the core does not run or did not answer in time.
            PermanentError: the core failed on it.
        """
        return self._ask({"do": "access", "access": dict(request)}, self.health_timeout_s)

    def log(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """Put entries into the keeper's log; see `pipeline.log_desk`.

        Raises:
            RefusedEntry: with a sentence for each entry that cannot be; nothing was stored.
            TransientError: the core does not run or did not answer in time.
            PermanentError: the core failed on it.
        """
        try:
            return self._ask({"do": "log", "log": dict(request)}, self.command_timeout_s)
        except RefusedEntry as refusal:
            raise RefusedEntry(str(refusal).split("\n")) from None

    def past(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """Put readings of the past into the history; see `pipeline.past`.

        Raises:
            ConfigError: one cannot be; nothing was stored.
            TransientError: the core does not run or did not answer in time.
            PermanentError: the core failed on it.
        """
        return self._ask({"do": "past", "past": dict(request)}, self.command_timeout_s)

    def notices(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """Ask for a test of notices; see `pipeline.notice_desk`.

        Raises:
            ConfigError: there is no such recipient.
            TransientError: the core does not run or did not answer in time.
            PermanentError: the core failed on it.
        """
        return self._ask({"do": "notices", "notices": dict(request)}, self.command_timeout_s)

    def work(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """List, start or end planned work; see `pipeline.work_desk`.

        Raises:
            UnknownWork: no planned work has that id.
            IllegalCommand: it is not under way, or for too long.
            TransientError: the core does not run, is busy, or did not answer in time.
            PermanentError: the core failed on it.
        """
        return self._ask({"do": "work", "work": dict(request)}, self.command_timeout_s)

    def drill(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """Begin a live drill, be heard of, or end it; see `pipeline.live_drill_desk`.

        Raises:
            IllegalCommand: no drill may begin now, or there is none of that id.
            ConfigError: it cannot be done as asked.
            TransientError: the core does not run, is busy, or did not answer in time.
            PermanentError: the core failed on it.
        """
        return self._ask({"do": "drill", "drill": dict(request)}, self.command_timeout_s)

    def explain(self, rule: str) -> Mapping[str, Any]:
        """Return why the rule's alarm is in its state.

        Raises:
            UnknownRule: no rule has that id.
            TransientError: the core does not run or did not answer in time.
            PermanentError: the core failed on it.
        """
        return self._ask({"do": "explain", "explain": {"rule": rule}}, self.health_timeout_s)

    @contextlib.contextmanager
    def listen(self) -> Iterator[Iterator[Mapping[str, Any]]]:
        """Yield an iterator over live messages; it ends when the core's end closes.

        Leaving the context closes the connection, which also ends an iteration that waits in
        another thread.

        Raises:
            TransientError: the core does not run or did not answer in time.
        """
        with self._connected(self.health_timeout_s) as sock:
            lines = _lines(sock)
            _result(self._exchange(sock, lines, {"do": "listen"}))
            sock.settimeout(None)
            yield (protocol.decode(line) for line in lines)

    def _ask(self, request: Mapping[str, Any], timeout_s: float) -> Mapping[str, Any]:
        with self._connected(timeout_s) as sock:
            return _result(self._exchange(sock, _lines(sock), request))

    @contextlib.contextmanager
    def _connected(self, timeout_s: float) -> Iterator[socket.socket]:
        endpoint.check_length(self.path)
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as sock:
            sock.settimeout(self.health_timeout_s)
            try:
                sock.connect(os.fspath(self.path))
            except (FileNotFoundError, ConnectionRefusedError) as error:
                raise TransientError(
                    f"the service does not run: nobody answers at {self.path}; "
                    "start it with: weirwatch serve"
                ) from error
            except OSError as error:
                raise TransientError(
                    f"the service cannot be asked at {self.path}: {error.strerror or error}"
                ) from error
            sock.settimeout(timeout_s)
            try:
                yield sock
            finally:
                with contextlib.suppress(OSError):
                    sock.shutdown(socket.SHUT_RDWR)

    def _exchange(
        self, sock: socket.socket, lines: Iterator[bytes], request: Mapping[str, Any]
    ) -> dict[str, Any]:
        try:
            sock.sendall(protocol.encode(request))
            line = next(lines, None)
        except TimeoutError as error:
            raise TransientError(
                "the core took the request but did not answer in time; look before repeating it"
            ) from error
        except OSError as error:
            raise TransientError(f"the core broke the connection ({error.strerror})") from error
        if line is None:
            raise TransientError("the core closed the connection without an answer")
        return protocol.decode(line)


def _lines(sock: socket.socket) -> Iterator[bytes]:
    """Yield complete lines until the other side closes (a reset is a close as well)."""
    waiting = bytearray()
    while True:
        end = waiting.find(b"\n")
        if end >= 0:
            yield bytes(waiting[:end])
            del waiting[: end + 1]
            continue
        if len(waiting) > protocol.MAX_LINE:
            raise PermanentError("the core sent a line longer than the protocol allows")
        try:
            chunk = sock.recv(_CHUNK)
        except ConnectionResetError:
            return
        if not chunk:
            return
        waiting += chunk


def _result(answer: Mapping[str, Any]) -> Mapping[str, Any]:
    if "error" in answer:
        raise protocol.error_from_json(answer["error"])
    result = answer.get("ok")
    if not isinstance(result, dict):
        raise PermanentError("the core's answer is not what the protocol says")
    return result
