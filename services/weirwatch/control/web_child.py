"""The web process as the core's child: started, watched, restarted, and never waited for.

The core must not depend on it: a web that dies or hangs costs a page, never an alarm.
"""

import http.client
import logging
import os
import signal
import socket
import subprocess
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.ports import Clock

log = logging.getLogger(__name__)

LOOK_EVERY_S = 1.0
ANSWER_WITHIN_S = 2.0
HUNG_AFTER: Micros = 10 * SECOND
START_WITHIN: Micros = 60 * SECOND
FIRST_PAUSE_S = 1.0
LONGEST_PAUSE_S = 30.0
PORT_TRIES = 15
ALIVE_PATH = "/api/v1/alive"


class WebChild:
    """Keeps one web process running in a session of its own.

    `close` is idempotent and safe before `start`.
    """

    def __init__(
        self,
        argv: Sequence[str],
        address: tuple[str, int],
        pid_file: Path,
        clock: Clock,
        told: Callable[[str, str], None],
    ) -> None:
        """Prepare; nothing runs yet.

        Args:
            argv: command line of the web process.
            address: where it answers.
            pid_file: remembers the child over a loss of the core, so that it can be ended.
            clock: real time counts here.
            told: is told (kind, sentence) of interruptions, for the record.
        """
        self._argv = list(argv)
        self._address = address
        self._pid_file = pid_file
        self._clock = clock
        self._told = told
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="web-child", daemon=True)
        self._process: subprocess.Popen[bytes] | None = None
        self._answered_at: Micros | None = None
        self._started_at: Micros = 0
        self._pause_s = FIRST_PAUSE_S
        self._restarts = 0
        self._last_reason = ""

    def start(self) -> None:
        """End a child that an earlier core left behind, then start and watch our own.

        Raises:
            ConfigError: the port is taken.
        """
        end_leftover(self._pid_file, self._argv)
        self._wait_for_port()
        self._spawn()
        self._thread.start()

    def close(self) -> None:
        """End the child; it gets 3 s to go in order."""
        self._ending.set()
        if self._thread.is_alive():
            self._thread.join(ANSWER_WITHIN_S + 2 * LOOK_EVERY_S)
        process = self._process
        if process is not None and process.poll() is None:
            process.terminate()
            try:
                process.wait(3.0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        if process is not None:  # else the file may tell of a leftover, for the next start
            with suppress(OSError):
                self._pid_file.unlink()
        self._process = None

    def as_json(self) -> dict[str, Any]:
        """Return what health says of the web."""
        process = self._process
        return {
            "pid": process.pid if process is not None else None,
            "answering": self._answered_at is not None,
            "restarts": self._restarts,
            "last_interruption": self._last_reason,
        }

    def _wait_for_port(self) -> None:
        """Wait a moment for a leftover to let go of the port.

        Raises:
            ConfigError: something else holds it.
        """
        host, port = self._address
        for _ in range(PORT_TRIES):
            with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET) as probe:
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                try:
                    probe.bind((host, port))
                except OSError as taken:
                    trouble = taken
                else:
                    return
            self._ending.wait(0.2)
        raise ConfigError(
            f"{host}:{port} cannot be used for the web ({trouble.strerror}): stop what listens "
            "there, or choose another port ([web] listen, or --port)"
        )

    def _spawn(self) -> None:
        self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
            self._argv, stdin=subprocess.DEVNULL, start_new_session=True
        )
        self._started_at = self._clock.real_mono()
        try:
            self._pid_file.write_text(str(self._process.pid), encoding="ascii")
        except OSError as trouble:  # a full disk must not end the watch
            log.warning("web.pid_not_written error=%s", trouble)

    def _watch(self) -> None:
        while not self._ending.wait(LOOK_EVERY_S):
            reason = self._trouble()
            if reason is not None and not self._ending.is_set():
                self._start_again(reason)

    def _trouble(self) -> str | None:
        """Return why the child must be replaced, or None."""
        process = self._process
        if process is None:
            return None
        code = process.poll()
        if code is not None:
            return f"the web process ended ({_how(code)})"
        now = self._clock.real_mono()
        if answers(self._address):
            if self._answered_at is None:
                self._pause_s = FIRST_PAUSE_S
            self._answered_at = now
            return None
        if self._answered_at is None:
            late = now - self._started_at > START_WITHIN
            return "the web process did not start to answer" if late else None
        if now - self._answered_at > HUNG_AFTER:
            return "the web process did not answer for 10 s"
        return None

    def _start_again(self, reason: str) -> None:
        self._answered_at = None
        process = self._process
        if process is not None and process.poll() is None:
            process.kill()
        if process is not None:
            process.wait()
        self._restarts += 1
        self._last_reason = reason
        log.warning("web.restarted reason=%s pause_s=%.0f", reason, self._pause_s)
        self._told("web-interrupted", f"{reason}; started again")
        if not self._ending.wait(self._pause_s):
            self._pause_s = min(2 * self._pause_s, LONGEST_PAUSE_S)
            try:
                self._spawn()
            except OSError as trouble:  # the old one counts as ended: tried again
                log.error("web.not_started error=%s", trouble)  # noqa: TRY400 - says all


def answers(address: tuple[str, int]) -> bool:
    """Return whether the web at this address answers within its time."""
    connection = http.client.HTTPConnection(*address, timeout=ANSWER_WITHIN_S)
    try:
        connection.request("GET", ALIVE_PATH)
        return connection.getresponse().status < 500
    except (OSError, http.client.HTTPException):
        return False
    finally:
        connection.close()


def end_leftover(pid_file: Path, argv: Sequence[str]) -> None:
    """Kill the child that an earlier core left behind, if the pid is still that child's."""
    try:
        pid = int(pid_file.read_text(encoding="ascii"))
        command = Path(f"/proc/{pid}/cmdline").read_bytes().decode(errors="replace").split("\0")
    except (OSError, ValueError):
        return
    if "weirwatch.web" in command and _data_dir(command) == _data_dir(argv):
        with suppress(ProcessLookupError):  # it went by itself
            os.kill(pid, signal.SIGKILL)
        log.warning("web.leftover_ended pid=%d", pid)
    pid_file.unlink(missing_ok=True)


def _data_dir(argv: Sequence[str]) -> str | None:
    words = list(argv)
    return words[words.index("--data-dir") + 1] if "--data-dir" in words[:-1] else None


def _how(code: int) -> str:
    return f"signal {-code}" if code < 0 else f"exit code {code}"
