"""The web process as a child: restarted when it dies or hangs, and no stranger is ever touched."""

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from itertools import pairwise
from pathlib import Path

import pytest
import support.stand_in_web
from support.ports import free_port
from support.service import wait_for

from weirwatch.clock import SystemClock
from weirwatch.control import web_child
from weirwatch.control.web_child import WebChild, answers, end_leftover
from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND

SCRIPT = str(support.stand_in_web.__file__)


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Shorten the waits of real life, but for those that a busy machine would not keep."""
    monkeypatch.setattr(web_child, "LOOK_EVERY_S", 0.05)
    monkeypatch.setattr(web_child, "HUNG_AFTER", 60 * SECOND)
    monkeypatch.setattr(web_child, "FIRST_PAUSE_S", 0.05)


class Place:
    """A data folder with a web child's address, and what was told of it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self.pid_file = folder / "web.pid"
        self.told: list[tuple[str, str]] = []
        self.children: list[WebChild] = []

    def argv(self, *more: str, folder: Path | None = None) -> list[str]:
        place = ["--data-dir", str(folder or self.folder), "--listen", f"127.0.0.1:{self.port}"]
        return [sys.executable, "-I", "-S", SCRIPT, "weirwatch.web", *place, *more]

    def child(self, *more: str, host: str = "127.0.0.1") -> WebChild:
        child = WebChild(
            self.argv(*more),
            (host, self.port),
            self.pid_file,
            SystemClock(),
            lambda kind, sentence: self.told.append((kind, sentence)),
        )
        self.children.append(child)
        return child


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    place = Place(tmp_path)
    yield place
    for child in place.children:
        child.close()


@pytest.fixture
def stranger() -> Iterator[Callable[..., "subprocess.Popen[bytes]"]]:
    """Start a process that is no child of the core under test."""
    started: list[subprocess.Popen[bytes]] = []

    def start(argv: list[str]) -> "subprocess.Popen[bytes]":
        started.append(subprocess.Popen(argv, start_new_session=True))
        return started[-1]

    yield start
    for process in started:
        process.kill()
        process.wait()


def pid_of(child: WebChild) -> int:
    return int(child.as_json()["pid"])


def answering(child: WebChild) -> bool:
    return bool(child.as_json()["answering"])


def restarts(child: WebChild) -> int:
    return int(child.as_json()["restarts"])


def gone(pid: int) -> bool:
    return not Path(f"/proc/{pid}").exists()


# --- life and end ----------------------------------------------------------------------------


def test_it_runs_in_a_session_of_its_own_until_it_is_closed(place: Place) -> None:
    child = place.child()
    child.start()
    wait_for(lambda: answering(child))
    pid = pid_of(child)
    assert child.as_json() == {
        "pid": pid,
        "answering": True,
        "restarts": 0,
        "last_interruption": "",
    }
    assert os.getsid(pid) != os.getsid(0)  # Ctrl-C at the terminal does not reach it
    assert place.pid_file.read_text() == str(pid)
    child.close()
    assert gone(pid)
    assert not place.pid_file.exists()
    assert child.as_json()["pid"] is None
    child.close()
    assert place.told == []


def test_closed_while_it_hangs(place: Place) -> None:
    child = place.child()
    child.start()
    wait_for(lambda: answering(child))
    pid = pid_of(child)
    os.kill(pid, signal.SIGSTOP)
    child.close()
    assert gone(pid)


def test_closed_before_it_answers_and_while_it_pauses(place: Place) -> None:
    child = place.child()
    child.start()
    pid = pid_of(child)
    child.close()
    assert gone(pid)
    pausing = place.child("--exit", "1")
    pausing._pause_s = 60.0
    pausing.start()
    wait_for(lambda: restarts(pausing) == 1)
    began = time.monotonic()
    pausing.close()
    assert time.monotonic() - began < 30


# --- interruptions ---------------------------------------------------------------------------


def test_one_that_dies_is_started_again_and_told_of(place: Place) -> None:
    child = place.child()
    child.start()
    wait_for(lambda: answering(child))
    first = pid_of(child)
    os.kill(first, signal.SIGKILL)
    wait_for(lambda: restarts(child) == 1 and answering(child))
    assert pid_of(child) != first
    assert place.pid_file.read_text() == str(pid_of(child))
    assert place.told == [("web-interrupted", "the web process ended (signal 9); started again")]
    assert child.as_json()["last_interruption"] == "the web process ended (signal 9)"


def test_one_that_hangs_is_killed_and_started_again(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(web_child, "ANSWER_WITHIN_S", 0.3)
    monkeypatch.setattr(web_child, "HUNG_AFTER", SECOND)
    child = place.child()
    child.start()
    wait_for(lambda: answering(child))
    first = pid_of(child)
    os.kill(first, signal.SIGSTOP)
    wait_for(lambda: restarts(child) >= 1 and answering(child))
    assert gone(first)
    assert place.told[0][1] == "the web process did not answer for 10 s; started again"


def test_one_that_hangs_for_a_moment_is_left_alone(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(web_child, "ANSWER_WITHIN_S", 0.1)  # it misses some
    child = place.child()
    child.start()
    wait_for(lambda: answering(child))
    os.kill(pid_of(child), signal.SIGSTOP)
    time.sleep(0.4)
    os.kill(pid_of(child), signal.SIGCONT)
    time.sleep(0.3)
    assert answering(child)
    assert (restarts(child), place.told) == (0, [])


@pytest.mark.parametrize("fault", [["--mute"], ["--status", "500"]], ids=["mute", "error 500"])
def test_one_that_never_answers_is_started_again(
    place: Place, fault: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(web_child, "START_WITHIN", 3 * SECOND)
    child = place.child(*fault)
    child.start()
    first = pid_of(child)
    wait_for(lambda: restarts(child) >= 1)
    assert gone(first)
    assert not answering(child)
    assert place.told[0][1] == "the web process did not start to answer; started again"


def test_one_that_ends_at_once_is_tried_at_growing_pauses(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(web_child, "LONGEST_PAUSE_S", 0.4)
    child = place.child("--exit", "3")
    times: list[float] = []

    def told(kind: str, sentence: str) -> None:
        times.append(time.monotonic())
        place.told.append((kind, sentence))

    child._told = told
    child.start()
    wait_for(lambda: len(times) >= 6)
    child.close()
    assert {sentence for _, sentence in place.told} == {
        "the web process ended (exit code 3); started again"
    }
    pauses = [later - earlier for earlier, later in pairwise(times)]
    assert pauses[0] >= 0.05
    assert pauses[1] >= 0.1
    assert pauses[2] >= 0.2
    assert pauses[3] >= 0.4
    assert child._pause_s == 0.4


def test_after_it_has_answered_pauses_begin_short_again(place: Place) -> None:
    child = place.child()
    child._pause_s = 90.0  # as after many a failure
    child.start()
    wait_for(lambda: answering(child))
    os.kill(pid_of(child), signal.SIGKILL)
    wait_for(lambda: restarts(child) == 1 and answering(child))


def test_a_program_that_cannot_be_started_for_a_while_is_tried_again(
    place: Place, tmp_path: Path
) -> None:
    program = tmp_path / "python"
    program.symlink_to(sys.executable)
    child = place.child()
    child._argv[0] = str(program)
    child.start()
    wait_for(lambda: answering(child))
    program.unlink()  # an update under way
    os.kill(pid_of(child), signal.SIGKILL)
    wait_for(lambda: restarts(child) >= 2)
    program.symlink_to(sys.executable)
    wait_for(lambda: answering(child) and not gone(pid_of(child)))


def test_a_full_disk_does_not_end_the_watch(place: Place) -> None:
    child = place.child()
    child.start()
    wait_for(lambda: answering(child))
    place.pid_file.unlink()
    place.pid_file.mkdir()  # nothing can be written there
    for _ in range(2):
        before = restarts(child)
        os.kill(pid_of(child), signal.SIGKILL)
        wait_for(lambda before=before: restarts(child) > before and answering(child))
    place.pid_file.rmdir()


# --- the port --------------------------------------------------------------------------------


@pytest.mark.parametrize("host", ["127.0.0.1", "::1"])
def test_a_port_that_is_taken_is_refused_with_the_cure(
    place: Place, host: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(web_child, "PORT_TRIES", 2)
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with closing(socket.create_server((host, place.port), family=family)):
        child = place.child(host=host)
        with pytest.raises(ConfigError, match=r"cannot be used for the web \(Address already"):
            child.start()
        child.close()
    assert not place.pid_file.exists()
    assert place.told == []


def test_an_address_that_is_not_ours(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(web_child, "PORT_TRIES", 1)
    with pytest.raises(ConfigError, match=r"192\.0\.2\.1:\d+ cannot be used for the web"):
        place.child(host="192.0.2.1").start()  # RFC 5737: an address of nobody


def test_a_port_that_is_let_go_of_late_is_waited_for(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(web_child, "PORT_TRIES", 300)
    holder = socket.create_server(("127.0.0.1", place.port))
    letting_go = threading.Timer(0.3, holder.close)
    letting_go.start()
    child = place.child()
    child.start()
    letting_go.join()
    wait_for(lambda: answering(child))


# --- what an earlier core left behind --------------------------------------------------------


def test_a_leftover_of_an_earlier_core_is_ended_first(
    place: Place, stranger: Callable[..., "subprocess.Popen[bytes]"]
) -> None:
    leftover = stranger(place.argv())
    place.pid_file.write_text(str(leftover.pid))
    wait_for(lambda: answers(("127.0.0.1", place.port)))
    child = place.child()
    child.start()
    assert leftover.wait(60) == -signal.SIGKILL
    wait_for(lambda: answering(child))
    assert pid_of(child) != leftover.pid
    assert place.told == []


def test_a_core_that_never_started_its_web_does_not_forget_the_leftover(
    place: Place, stranger: Callable[..., "subprocess.Popen[bytes]"]
) -> None:
    leftover = stranger(place.argv())
    place.pid_file.write_text(str(leftover.pid))
    place.child().close()
    assert place.pid_file.read_text() == str(leftover.pid)
    assert leftover.poll() is None


def test_a_foreign_process_with_that_pid_is_never_touched(
    place: Place, stranger: Callable[..., "subprocess.Popen[bytes]"], tmp_path: Path
) -> None:
    other_folder = tmp_path / "other"
    foreign = [
        stranger([sys.executable, "-I", "-S", "-c", "import time; time.sleep(600)"]),
        stranger([sys.executable, "-I", "-S", SCRIPT, "--data-dir", str(place.folder)]),
        stranger(
            [sys.executable, "-I", "-S", SCRIPT, "weirwatch.web", "--data-dir", str(other_folder)]
        ),
        stranger([sys.executable, "-I", "-S", SCRIPT, "weirwatch.web", "--data-dir"]),
    ]
    for process in foreign:
        wait_for(lambda pid=process.pid: Path(f"/proc/{pid}/cmdline").read_bytes())
        place.pid_file.write_text(str(process.pid))
        end_leftover(place.pid_file, place.argv())
        assert not place.pid_file.exists()
    time.sleep(0.1)
    assert [process.poll() for process in foreign] == [None] * len(foreign)


@pytest.mark.parametrize("text", ["", "what", "-1", "0", "99999999999999999999", "\xff"])
def test_a_pid_file_that_makes_no_sense_harms_nobody(place: Place, text: str) -> None:
    place.pid_file.write_text(text, encoding="latin-1")
    end_leftover(place.pid_file, place.argv())
    child = place.child()
    child.start()
    wait_for(lambda: answering(child))
