"""A process that outlives us: start it, recognise it after our own death, end it.

A child is ours when its command line is the one we start it with, which names a path in our own
data folder: a reused process id, or an editor that has the same file open, is not mistaken.
"""

import json
import os
import signal
import subprocess
import threading
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

_POLL_S = 0.05
_TERM_POLLS = 300  # 15 s until SIGTERM becomes SIGKILL: a broker saves its queue first
_KILL_POLLS = 40


@dataclass(frozen=True, slots=True)
class ChildRecord:
    """What is written down of a child.

    Attributes:
        kind: which program it is.
        pid: 0: it was ended in good order.
        began: its start, in the system's own words.
        host, port: where it listens.
    """

    kind: str
    pid: int
    began: str
    host: str
    port: int


@dataclass(frozen=True, slots=True)
class Mark:
    """How a child of ours is recognised.

    Attributes:
        program: how the name of its program starts.
        arguments: its first arguments, in order; one of them is a path of ours.
    """

    program: str
    arguments: tuple[str, ...]

    def fits(self, command: Sequence[str]) -> bool:
        """Return whether a command line is that of our child."""
        if len(command) == 1:  # told by ps as one text
            program, _, rest = command[0].partition(" ")
            return self._is_program(program) and rest.startswith(" ".join(self.arguments))
        first = tuple(command[1 : 1 + len(self.arguments)])
        return bool(command) and self._is_program(command[0]) and first == self.arguments

    def _is_program(self, path: str) -> bool:
        return Path(path).name.lower().startswith(self.program)


def read_record(path: Path) -> ChildRecord | None:
    """Return the record, or None when there is none that can be read."""
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        record = ChildRecord(**told)
    except (OSError, ValueError, TypeError):
        return None
    numbers = isinstance(record.pid, int) and isinstance(record.port, int)
    return record if numbers and record.pid >= 0 else None


def write_record(path: Path, record: ChildRecord) -> None:
    """Write the record so that it is whole or not there."""
    draft = path.with_suffix(".new")
    draft.write_text(json.dumps(asdict(record)), encoding="utf-8")
    draft.replace(path)


def spawn(command: Sequence[str], log_path: Path) -> subprocess.Popen[bytes]:
    """Start a process in its own session, so that Ctrl-C at our terminal does not reach it."""
    with log_path.open("ab") as log_file:
        return subprocess.Popen(  # noqa: S603 - our own command, no shell
            list(command),
            stdin=subprocess.DEVNULL,
            stdout=log_file,
            stderr=log_file,
            start_new_session=True,
            cwd=log_path.parent,
        )


def began(pid: int) -> str | None:
    """Return when a living process began; None when there is none (a zombie is none).

    The first thread may be a zombie while others still hold the port: that is alive.
    """
    try:
        stat = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return _began_by_ps(pid)
    except OSError:
        return None
    fields = stat.rpartition(")")[2].split()  # the name before it may hold anything
    dead = fields[0] in ("Z", "X") and len(list(Path(f"/proc/{pid}/task").glob("*"))) <= 1
    return None if dead else fields[19]


def _began_by_ps(pid: int) -> str | None:
    if Path("/proc/self/stat").exists():
        return None
    return _ps(pid, "lstart")


def command_line(pid: int) -> tuple[str, ...]:
    """Return the arguments of a process; empty when it cannot be seen."""
    try:
        raw = Path(f"/proc/{pid}/cmdline").read_bytes()
    except FileNotFoundError:
        if Path("/proc/self/cmdline").exists():
            return ()
        told = _ps(pid, "command")
        return (told,) if told else ()
    except OSError:
        return ()
    return tuple(part.decode(errors="replace") for part in raw.rstrip(b"\0").split(b"\0") if part)


def _ps(pid: int, column: str) -> str | None:
    done = subprocess.run(  # noqa: S603 - fixed program, numeric argument
        ["/bin/ps", "-o", f"{column}=", "-p", str(pid)], capture_output=True, text=True, check=False
    )
    return done.stdout.strip() or None


def is_ours(pid: int, mark: Mark) -> bool:
    """Return whether it is a living child of ours."""
    return pid > 1 and began(pid) is not None and mark.fits(command_line(pid))


def find_ours(mark: Mark) -> list[int]:
    """Return our living children, where the system lets us look for them."""
    pids = (int(path.name) for path in Path("/proc").glob("[0-9]*"))
    return [pid for pid in pids if is_ours(pid, mark)]


def end(pid: int, mark: Mark) -> bool:
    """End our child politely, then not; return whether it is gone. Never touches another's."""
    for number, polls in ((signal.SIGTERM, _TERM_POLLS), (signal.SIGKILL, _KILL_POLLS)):
        if not is_ours(pid, mark):
            return True
        try:
            os.kill(pid, number)
            os.kill(pid, signal.SIGCONT)  # a stopped one hears nothing else
        except ProcessLookupError:
            return True
        except PermissionError:
            return False
        if _gone_within(pid, polls):
            return True
    return False


def _gone_within(pid: int, polls: int) -> bool:
    for _ in range(polls):
        _reap(pid)
        if began(pid) is None:
            return True
        threading.Event().wait(_POLL_S)
    return False


def _reap(pid: int) -> None:
    """Collect the exit of a child of this very process; of others there is nothing to collect."""
    try:
        os.waitpid(pid, os.WNOHANG)
    except ChildProcessError:
        return
