"""Run a core until a signal, a limit or its death: shared by `serve` and `demo`."""

import gc
import logging
import os
import signal
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from types import FrameType

from weirwatch.app import Core
from weirwatch.control.sd_notify import ServiceManager
from weirwatch.domain.errors import ConfigError, WeirwatchError
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.ingest.broker import PATIENT_S, OwnBroker
from weirwatch.pipeline.inbox import ServiceEventRequest

log = logging.getLogger(__name__)


SWITCH_S = 0.0005
LEVELS = ("debug", "info", "warning", "error")
FIRST_PAUSE: Micros = SECOND  # real, between two starts of our own broker
LONGEST_PAUSE: Micros = 60 * SECOND
HUNG_AFTER: Micros = 60 * SECOND  # without a connection to our own broker, it is asked
START_S = 40.0  # that a stop waits for a start under way


def share_the_interpreter() -> None:
    """Let the network thread and the loop take turns ten times as often as by default.

    The network thread lets go of the interpreter at every system call; with Python's default of
    5 ms it then waits so long for the loop that receiving falls to a fraction.
    """
    sys.setswitchinterval(SWITCH_S)


def set_up_logging(level: str) -> None:
    """Send log lines to standard error.

    Raises:
        ConfigError: there is no such level.
    """
    if level.lower() not in LEVELS:
        raise ConfigError(f"--log-level {level}: write one of {', '.join(LEVELS)}")
    logging.basicConfig(
        level=level.upper(),
        stream=sys.stderr,
        format="%(asctime)s %(levelname)s %(name)s %(message)s",
    )


def web_argv(
    config: Path, data_dir: Path, listen: str, clock_json: str, text_of: Path | None = None
) -> list[str]:
    """Return the command line of the web process; `text_of`: a copy to read, see `in_use`."""
    return [
        sys.executable,
        "-m",
        "weirwatch.web",
        "--config",
        str(config),
        "--data-dir",
        str(data_dir),
        "--listen",
        listen,
        "--clock",
        clock_json,
        *(["--text-of", str(text_of)] if text_of is not None else []),
    ]


def run_until_stopped(core: Core, finished: Callable[[], bool] = lambda: False) -> int:
    """Watch a started core until SIGTERM, SIGINT or `finished`; then stop it.

    Returns:
        The exit code: 0 after an orderly stop, 1 when the loop died.
    """
    share_the_interpreter()
    gc.freeze()  # what start-up made stays: walking it again and again would stall the loop
    stopping = threading.Event()

    def stop(_signal: int, _frame: FrameType | None) -> None:
        stopping.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop)
    manager = ServiceManager(os.environ)
    manager.ready()
    keeper = BrokerKeeper(core)
    while not (stopping.wait(0.5) or core.failed.is_set() or finished()):
        keeper.look()
        core.transport.state()  # brings the network thread back, should an error have ended it
        manager.beat(core.clock.real_mono(), alive=core.health.turning())
    manager.stopping()
    keeper.join()
    if core.failed.is_set():
        print(  # noqa: T201 - the operator must see this
            f"weirwatch stopped because its loop died: {core.failure}. Nothing unsaved was "
            "acknowledged; start it again.",
            file=sys.stderr,
        )
    core.stop()
    return 1 if core.failed.is_set() else 0


class BrokerKeeper:
    """Starts a core's own broker again when it has ended: at once, then with growing pauses.

    One that runs but answers nobody is ended first. On a thread of its own: a broker may take
    longer than the service manager waits for a sign of life. A start is put on record each time, a
    failure once until there is something else to say.
    """

    def __init__(self, core: Core) -> None:
        self._core = core
        self._alone_since: Micros | None = None
        self._tried_at: Micros | None = None
        self._pause = FIRST_PAUSE
        self._told = ""
        self._thread: threading.Thread | None = None

    def look(self) -> None:
        """Begin to start it again if it is time; never waits."""
        if self._thread is not None and self._thread.is_alive():
            return
        broker, now = self._core.broker, self._core.clock.real_mono()
        if broker is None:
            return
        if broker.alive():
            if self._is_left_alone(now):
                self._alone_since = None
                self._begin(self._replace_if_hung, broker)
        elif self._is_time(now):
            self._tried_at = now
            self._begin(self._start_again, broker)

    def join(self) -> None:
        """Wait for a start under way, but not for ever."""
        if self._thread is not None:
            self._thread.join(START_S)

    def _begin(self, work: Callable[[OwnBroker], None], broker: OwnBroker) -> None:
        self._thread = threading.Thread(
            target=work, args=(broker,), name="broker-keeper", daemon=True
        )
        self._thread.start()

    def _is_left_alone(self, now: Micros) -> bool:
        """Whether there has been no connection to the running broker for long."""
        if self._core.transport.connected:
            self._alone_since = None
        elif self._alone_since is None:
            self._alone_since = now
        return self._alone_since is not None and now - self._alone_since >= HUNG_AFTER

    def _replace_if_hung(self, broker: OwnBroker) -> None:
        if not broker.answers(PATIENT_S):
            self._start_again(broker, "did not answer", "does not answer")

    def _start_again(
        self, broker: OwnBroker, was: str = "had ended", still: str = "has ended"
    ) -> None:
        try:
            broker.restart()
            sentence, failed = f"our own broker {was} and was started again", False
        except WeirwatchError as trouble:
            sentence, failed = f"our own broker {still} and cannot be started: {trouble}", True
        log.warning("broker.ended outcome=%s", sentence)
        if sentence != self._told or not failed:
            self._core.inbox.put(ServiceEventRequest("broker-ended", sentence))
        self._told = sentence

    def _is_time(self, now: Micros) -> bool:
        if self._tried_at is None:
            return True
        since = now - self._tried_at
        if since < self._pause:
            return False
        lasted = since > 2 * LONGEST_PAUSE
        self._pause = FIRST_PAUSE if lasted else min(2 * self._pause, LONGEST_PAUSE)
        return True
