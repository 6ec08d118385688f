import os
import subprocess
import sys
from pathlib import Path

import pytest
from support.service import wait_for

from weirwatch.ingest.child import (
    ChildRecord,
    Mark,
    began,
    command_line,
    end,
    find_ours,
    is_ours,
    read_record,
    spawn,
    write_record,
)

SLEEP = "import time; time.sleep(60)"
STUBBORN = (
    "import signal, time; signal.signal(15, signal.SIG_IGN); print('up', flush=True)\n" + SLEEP
)


def test_record_survives_and_rubbish_does_not(tmp_path: Path) -> None:
    path = tmp_path / "broker.json"
    assert read_record(path) is None
    record = ChildRecord("own mosquitto", 4711, "99", "127.0.0.1", 1883)
    write_record(path, record)
    assert read_record(path) == record
    for rubbish in (
        "",
        "{",
        "[]",
        '{"pid": 1}',
        '{"kind":"x","pid":"y","began":"","host":"","port":1}',
    ):
        path.write_text(rubbish)
        assert read_record(path) is None


def test_a_child_is_found_and_ended(tmp_path: Path) -> None:
    marker = f"# {tmp_path}\n{SLEEP}"
    mark = Mark("python", ("-c", marker))
    process = spawn([sys.executable, "-c", marker], tmp_path / "child.log")
    try:
        # A new program's arguments can be seen a moment after it has begun.
        wait_for(lambda: is_ours(process.pid, mark))
        assert find_ours(mark) == [process.pid]
        assert command_line(process.pid)[1] == "-c"
        assert os.getsid(process.pid) == process.pid
        assert end(process.pid, mark)
        assert began(process.pid) is None
        assert not is_ours(process.pid, mark)
        assert end(process.pid, mark)  # idempotent
    finally:
        process.poll()
        if process.returncode is None:
            process.kill()
            process.wait()


def test_one_that_will_not_listen_is_killed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("weirwatch.ingest.child._TERM_POLLS", 20)
    code = f"# {tmp_path}\n{STUBBORN}"
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"up\n"
        assert end(process.pid, Mark("python", ("-c", code)))
        process.poll()
        assert began(process.pid) is None


def test_another_program_is_never_touched(tmp_path: Path) -> None:
    with subprocess.Popen([sys.executable, "-c", SLEEP]) as process:
        assert end(process.pid, Mark("python", ("-c", f"{tmp_path}/mosquitto.conf")))
        assert end(process.pid, Mark("mosquitto", ("-c", SLEEP)))
        assert process.poll() is None
        process.kill()


def test_a_mark_is_the_program_and_its_first_arguments() -> None:
    mark = Mark("mosquitto", ("-c", "/data/broker/mosquitto.conf"))
    assert mark.fits(("/usr/sbin/mosquitto", "-c", "/data/broker/mosquitto.conf"))
    assert mark.fits(("/usr/sbin/mosquitto -c /data/broker/mosquitto.conf",))
    assert not mark.fits(("/usr/bin/vim", "-c", "/data/broker/mosquitto.conf"))
    assert not mark.fits(("/usr/sbin/mosquitto", "-c", "/data/other/mosquitto.conf"))
    assert not mark.fits(("/usr/sbin/mosquitto", "-v", "-c", "/data/broker/mosquitto.conf"))
    assert not mark.fits(())


def test_no_such_process() -> None:
    assert began(2**22 + 7) is None
    assert command_line(2**22 + 7) == ()
    assert not is_ours(0, Mark("", ()))
