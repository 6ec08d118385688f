"""Run a core until a signal, a limit or its death: shared by `serve` and `demo`."""

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
from weirwatch.domain.errors import WeirwatchError
from weirwatch.pipeline.inbox import ServiceEventRequest

log = logging.getLogger(__name__)


SWITCH_S = 0.0005


def share_the_interpreter() -> None:
    """Let the network thread and the loop take turns ten times as often as by default.

    The network thread lets go of the interpreter at every system call; with Python's default of
    5 ms it then waits so long for the loop that receiving falls to a fraction.
    """
    sys.setswitchinterval(SWITCH_S)


def set_up_logging(level: str) -> None:
    """Send log lines to standard error."""
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
    stopping = threading.Event()

    def stop(_signal: int, _frame: FrameType | None) -> None:
        stopping.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop)
    manager = ServiceManager(os.environ)
    manager.ready()
    while not (stopping.wait(0.5) or core.failed.is_set() or finished()):
        _keep_broker(core)
        manager.beat(core.clock.real_mono(), alive=core.health.turning())
    manager.stopping()
    if core.failed.is_set():
        print(  # noqa: T201 - the operator must see this
            f"weirwatch stopped because its loop died: {core.failure}. Nothing unsaved was "
            "acknowledged; start it again.",
            file=sys.stderr,
        )
    core.stop()
    return 1 if core.failed.is_set() else 0


def _keep_broker(core: Core) -> None:
    if core.broker is None or core.broker.alive():
        return
    try:
        core.broker.restart()
        sentence = "our own broker had ended and was started again"
    except WeirwatchError as trouble:
        sentence = f"our own broker has ended and cannot be started: {trouble}"
    log.warning("broker.ended outcome=%s", sentence)
    core.inbox.put(ServiceEventRequest("broker-ended", sentence))
