"""The home of the core's end of the control socket: commands in, transitions and readings out.

One selector thread does all socket work without ever waiting for a client; commands and health
run on one worker thread each, so that neither a slow disk nor a slow client delays the others.
"""

import contextlib
import logging
import selectors
import socket
import threading
from collections import Counter, deque
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from weirwatch.control import endpoint, protocol
from weirwatch.control.buffer import ListenerBuffer
from weirwatch.control.connection import Connection
from weirwatch.control.worker import Worker
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.ports import Clock, Command

log = logging.getLogger(__name__)

MOST_CONNECTIONS = 64
IDLE_AFTER: Micros = 60 * SECOND  # a client that asks nothing is let go
STALLED_AFTER: Micros = 10 * SECOND
_LOOK_EVERY_S = 5.0
_COUNTERS = (
    "connections",
    "listeners",
    "stalled_listeners",
    "commands",
    "dropped",
    "refused",
    "bad_requests",
    "handler_failures",
    "unsendable",
)


class ControlServer:
    """Serves the control socket at `path`, mode 0600.

    `handle_command` may block until its command is durable; it raises `IllegalCommand`,
    `UnknownRule` or `TransientError`. `health` returns the health document. `handle_access`
    and `handle_work` take what was asked about access rights and planned work as it came, and
    `explain` answers for a rule.
    `close` is idempotent and safe before `start`.
    """

    def __init__(
        self,
        path: Path,
        handle_command: Callable[[Command], Mapping[str, Any]],
        health: Callable[[], Mapping[str, Any]],
        clock: Clock,
        handle_access: Callable[[object], Mapping[str, Any]] | None = None,
        explain: Callable[[str], Mapping[str, Any]] | None = None,
        handle_work: Callable[[object], Mapping[str, Any]] | None = None,
        handle_log: Callable[[object], Mapping[str, Any]] | None = None,
        handle_past: Callable[[object], Mapping[str, Any]] | None = None,
        handle_notices: Callable[[object], Mapping[str, Any]] | None = None,
        handle_drill: Callable[[object], Mapping[str, Any]] | None = None,
    ) -> None:
        self._path = path
        self._explain = explain
        self._handle_command = handle_command
        self._health = health
        self._clock = clock
        self._sockets = selectors.DefaultSelector()
        self._server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)  # replaced by start
        self._inode: int | None = None
        self._waker, self._woken = socket.socketpair()
        self._wake_pending = False
        self._connections: set[Connection] = set()
        self._buffers: tuple[ListenerBuffer, ...] = ()  # replaced as a whole, read by publish
        self._answers: deque[tuple[Connection, bytes]] = deque()
        self._commands = Worker("control-commands", self._answered)
        self._questions = Worker("control-health", self._answered)
        self._explanations = Worker("control-explain", self._answered)
        self._past = Worker("control-past", self._answered)
        desks = (
            ("access", self._commands, handle_access),
            ("log", self._commands, handle_log),
            ("work", self._commands, handle_work),
            ("notices", self._commands, handle_notices),
            ("drill", self._commands, handle_drill),
            ("past", self._past, handle_past),  # its own thread: commands do not wait for it
        )
        self._desks = {
            name: (worker, handle) for name, worker, handle in desks if handle is not None
        }
        self._thread = threading.Thread(target=self._serve, name="control", daemon=True)
        self._pause = threading.Event()  # never set: a short breath after trouble
        self._ending = False
        self._closed = False
        self._counts: Counter[str] = Counter()

    def start(self) -> None:
        """Open the socket and begin to serve.

        Raises:
            ConfigError: the socket cannot be made where it belongs, or another service holds it.
        """
        server = endpoint.listening_socket(self._path)
        self._server.close()
        self._server = server
        self._inode = self._path.lstat().st_ino
        self._waker.setblocking(False)
        self._woken.setblocking(False)
        self._sockets.register(self._server, selectors.EVENT_READ)
        self._sockets.register(self._woken, selectors.EVENT_READ)
        self._thread.start()
        self._commands.start()
        self._questions.start()
        self._explanations.start()
        self._past.start()

    def publish(self, message: Mapping[str, Any]) -> None:
        """Hand one message to every listener; never blocks, never fails; any thread.

        `{"readings": …}` replaces older readings that still wait; everything else keeps its order.
        """
        buffers = self._buffers
        if not buffers:
            return
        if "readings" in message:
            for buffer in buffers:
                buffer.offer_readings(message["readings"])
        else:
            self._publish_line(buffers, message)
        self._wake()

    def counters(self) -> Mapping[str, int]:
        """Return counts for health: of now (connections, listeners, stalled) and since start."""
        buffers = self._buffers
        counts = Counter(self._counts)
        counts["listeners"] = len(buffers)
        counts["connections"] = len(self._connections)
        counts["dropped"] += sum(buffer.dropped for buffer in buffers)
        workers = (self._commands, self._questions, self._explanations, self._past)
        counts["handler_failures"] = sum(worker.failures for worker in workers)
        return {name: counts[name] for name in _COUNTERS}

    def close(self) -> None:
        """Answer what is being worked on (2 s at most), close every connection, remove the file."""
        if self._closed:
            return
        self._closed = True
        self._commands.stop(2.0)
        self._questions.stop(2.0)
        self._explanations.stop(2.0)
        self._past.stop(2.0)
        self._ending = True
        self._wake()
        if self._thread.ident is not None:
            self._thread.join(5.0)
        self._waker.close()
        self._woken.close()
        self._server.close()
        self._sockets.close()
        if self._inode is not None:
            endpoint.remove(self._path, self._inode)

    def _publish_line(
        self, buffers: tuple[ListenerBuffer, ...], message: Mapping[str, Any]
    ) -> None:
        try:
            line = protocol.encode(message)
        except (ValueError, TypeError, RecursionError) as error:
            self._counts["unsendable"] += 1
            log.error("control.unsendable keys=%s error=%s", sorted(message), error)  # noqa: TRY400
            for buffer in buffers:
                buffer.note_drop()
            return
        for buffer in buffers:
            buffer.offer_line(line)

    def _answered(self, connection: Connection, line: bytes) -> None:
        self._answers.append((connection, line))
        self._wake()

    def _wake(self) -> None:
        if self._wake_pending:
            return
        self._wake_pending = True
        with contextlib.suppress(OSError):
            self._waker.send(b"\0")

    # --- the selector thread ---------------------------------------------------------------

    def _serve(self) -> None:
        while not self._ending:
            try:
                self._round()
            except Exception:  # the socket must outlive our own mistakes
                log.exception("control.round_failed")
                self._pause.wait(0.1)
        self._take_wake()
        for connection in tuple(self._connections):
            self._end(connection)

    def _round(self) -> None:
        for key, mask in self._sockets.select(_LOOK_EVERY_S):
            if key.fileobj is self._server:
                self._accept()
            elif key.fileobj is self._woken:
                self._take_wake()
            else:
                self._turn(key.data, mask)
        self._look_around()

    def _accept(self) -> None:
        try:
            sock, _ = self._server.accept()
        except OSError:  # gone again, or out of file descriptors: the others go on
            self._counts["refused"] += 1
            self._pause.wait(0.01)
            return
        if len(self._connections) >= MOST_CONNECTIONS:
            self._counts["refused"] += 1
            sock.close()
            return
        sock.setblocking(False)
        connection = Connection(sock, self._clock.real_mono())
        self._connections.add(connection)
        self._watch(connection)

    def _take_wake(self) -> None:
        with contextlib.suppress(BlockingIOError):
            self._woken.recv(4096)
        # Only after the byte is taken: a publisher that still sees True has already put its
        # message where the lines below find it.
        self._wake_pending = False
        while self._answers:
            connection, line = self._answers.popleft()
            if connection in self._connections:
                connection.busy = False
                connection.queue(line)
                self._go_on(connection)
        for connection in tuple(self._connections):
            if connection.buffer is not None and not connection.unsent:
                self._flush(connection)

    def _turn(self, connection: Connection, mask: int) -> None:
        if connection not in self._connections:
            return
        if mask & selectors.EVENT_WRITE:
            self._flush(connection)
        if mask & selectors.EVENT_READ and connection in self._connections:
            self._hear(connection)

    def _hear(self, connection: Connection) -> None:
        try:
            alive = connection.receive(self._clock.real_mono())
        except protocol.NotTheProtocol as error:
            self._refuse(connection, error)
            return
        if not alive or connection.buffer is not None:  # a listener has nothing more to say
            self._end(connection)
            return
        self._go_on(connection)

    def _go_on(self, connection: Connection) -> None:
        """Begin the next request, if there is one and the last one is answered."""
        line = None if connection.busy or connection.ending else connection.next_line()
        if line is not None:
            try:
                self._begin(connection, protocol.decode(line))
            except protocol.NotTheProtocol as error:
                self._refuse(connection, error)
                return
        self._flush(connection)

    def _begin(self, connection: Connection, request: Mapping[str, Any]) -> None:
        match request.get("do"):
            case "listen":
                connection.queue(protocol.encode({"ok": {"listening": True}}))
                connection.buffer = ListenerBuffer()
                self._buffers = (*self._buffers, connection.buffer)
            case "health":
                connection.busy = True
                self._questions.submit(connection, self._health)
            case "command":
                command = protocol.command_from_json(request.get("command"))
                connection.busy = True
                self._commands.submit(connection, lambda: self._handle_command(command))
                self._counts["commands"] += 1
            case str(name) if name in self._desks:
                worker, handle = self._desks[name]
                asked = request.get(name)
                connection.busy = True
                worker.submit(connection, lambda: handle(asked))
            case "explain" if self._explain is not None:
                ask, rule = self._explain, protocol.rule_from_json(request.get("explain"))
                connection.busy = True
                self._explanations.submit(connection, lambda: ask(rule))
            case _:
                known = ", ".join(("listen", "health", "command", *self._desks, "explain"))
                raise protocol.NotTheProtocol(f"`do` must be one of: {known}")

    def _refuse(self, connection: Connection, error: protocol.NotTheProtocol) -> None:
        self._counts["bad_requests"] += 1
        connection.queue(protocol.encode(protocol.error_as_json(error)))
        connection.ending = True
        self._flush(connection)

    def _flush(self, connection: Connection) -> None:
        alive = connection.send(self._clock.real_mono())
        if not alive or (connection.ending and not connection.unsent):
            self._end(connection)
        else:
            self._watch(connection)

    def _watch(self, connection: Connection) -> None:
        wanted = selectors.EVENT_WRITE if connection.unsent else 0
        if not connection.busy and not connection.ending:
            wanted |= selectors.EVENT_READ
        known = self._sockets.get_map().get(connection.sock)
        if known is None:
            if wanted:
                self._sockets.register(connection.sock, wanted, connection)
        elif not wanted:
            self._sockets.unregister(connection.sock)
        elif known.events != wanted:
            self._sockets.modify(connection.sock, wanted, connection)

    def _end(self, connection: Connection) -> None:
        self._connections.discard(connection)
        if connection.buffer is not None:
            self._counts["dropped"] += connection.buffer.dropped
            self._buffers = tuple(b for b in self._buffers if b is not connection.buffer)
        if connection.sock in self._sockets.get_map():
            self._sockets.unregister(connection.sock)
        connection.sock.close()

    def _look_around(self) -> None:
        """Let idle clients go; count listeners that have stopped reading."""
        now = self._clock.real_mono()
        stalled = 0
        for connection in tuple(self._connections):
            still = now - connection.moved_at
            if connection.buffer is not None:
                stalled += connection.unsent and still > STALLED_AFTER
            elif not connection.busy and still > IDLE_AFTER:
                self._end(connection)
        self._counts["stalled_listeners"] = stalled
