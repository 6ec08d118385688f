"""deploy/install: judged by shellcheck, told by --dry-run, and really run in a Debian of its own.

The last needs root and a folder made by debootstrap, named in WEIRWATCH_CHROOT (DEVELOPERS.md); it
is copied first. Without it, it is skipped.
"""

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.need import need

from weirwatch.config import check

ROOT = Path(__file__).parents[2]
SCRIPTS = ("deploy/install", "deploy/demo", "deploy/venv.sh", "tests/run", ".ci/run")
NODE = "harbour-hall/sump-node"


def install(*words: str, path: str = os.environ["PATH"]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["sh", "deploy/install", *words],
        cwd=ROOT,
        env={**os.environ, "PATH": path},
        capture_output=True,
        text=True,
        timeout=300,
    )


@pytest.mark.parametrize("script", SCRIPTS)
def test_the_scripts_are_sound(script: str) -> None:
    run = subprocess.run(
        [need("shellcheck"), "--shell=sh", "-x", script],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert run.returncode == 0, run.stdout


def test_who_is_not_root_is_told_and_nothing_is_done(tmp_path: Path) -> None:
    (tmp_path / "id").write_text("#!/bin/sh\necho 1000\n")
    (tmp_path / "id").chmod(0o755)
    run = install(path=f"{tmp_path}:{os.environ['PATH']}")
    assert (run.returncode, run.stdout) == (2, "")
    assert run.stderr == "Run this as root: sudo sh deploy/install\n"


def test_an_unknown_option_is_refused() -> None:
    run = install("--dryrun")
    assert (run.returncode, run.stdout) == (2, "")
    assert "--dryrun is no option" in run.stderr


@pytest.fixture
def told() -> str:
    """What it would do here, where nothing is installed."""
    need("dpkg")
    if Path("/opt/weirwatch").exists() or Path("/etc/weirwatch").exists():
        pytest.skip("Weirwatch is installed on this machine")
    run = install("--dry-run")
    assert run.returncode == 0, run.stderr
    assert not Path("/opt/weirwatch").exists()
    return run.stdout


def written(told: str, path: str) -> str:
    found = re.search(rf"^   write {re.escape(path)}\n((?:   \| .*\n)+)", told, re.MULTILINE)
    assert found is not None, path
    return re.sub(r"^   \| ", "", found[1], flags=re.MULTILINE)


def test_the_first_configuration_is_a_good_one(told: str, tmp_path: Path) -> None:
    text = written(told, "/etc/weirwatch/weirwatch.toml")
    assert 'data_dir = "/var/lib/weirwatch"\n' in text
    login = "/etc/mosquitto/weirwatch/service-login.toml"
    assert f'credentials_file = "{login}"\n' in text
    (tmp_path / "login.toml").write_text('username = "u"\npassword = "p"\n')
    (tmp_path / "weirwatch.toml").write_text(text.replace(login, str(tmp_path / "login.toml")))
    assert check(tmp_path / "weirwatch.toml").errors == ()


def test_the_unit_that_it_writes_finds_the_program_that_it_makes(told: str) -> None:
    unit = written(told, "/etc/systemd/system/weirwatch.service")
    assert "ExecStart=/opt/weirwatch/.venv/bin/weirwatch serve" in unit
    assert "mv -T /opt/weirwatch/.venv.new /opt/weirwatch/.venv" in told
    assert "exec /opt/weirwatch/.venv/bin/weirwatch" in written(told, "/usr/local/bin/weirwatch")


# --- a machine of its own --------------------------------------------------------------------


class Board:
    """A copy of a Debian folder; what runs there has a network of its own, or the host's."""

    def __init__(self, source: str, folder: Path) -> None:
        self.root = folder / "board"
        subprocess.run(["cp", "-a", source, str(self.root)], check=True)
        shutil.copy("/etc/resolv.conf", self.root / "etc" / "resolv.conf")
        (self.root / "etc" / "hosts").write_text("127.0.0.1 localhost\n")
        self.src = self.root / "src"
        self.src.mkdir()
        for name in ("pyproject.toml", "README.md", "LICENSE"):
            shutil.copy(ROOT / name, self.src / name)
        for name in ("services", "simulator", "deploy"):
            shutil.copytree(
                ROOT / name, self.src / name, ignore=shutil.ignore_patterns("__pycache__")
            )
        for name in ("proc", "dev"):
            subprocess.run(["mount", "--rbind", f"/{name}", str(self.root / name)], check=True)

    def run(self, script: str, *, alone: bool = False) -> str:
        """The output of a shell script; `alone`: with no network but its own loopback."""
        argv = ["chroot", str(self.root), "sh", "-euc", script]
        if alone:
            argv = ["unshare", "-n", "sh", "-c", 'ip link set lo up; exec "$@"', "sh", *argv]
        run = subprocess.run(argv, capture_output=True, text=True, timeout=1500)
        assert run.returncode == 0, run.stdout[-3000:] + run.stderr[-3000:]
        return run.stdout

    def close(self) -> None:
        for name in ("proc", "dev"):
            subprocess.run(["umount", "-R", "-l", str(self.root / name)])


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Board]:
    source = os.environ.get("WEIRWATCH_CHROOT")
    if not source or os.geteuid() != 0:
        pytest.skip("name a folder of debootstrap in WEIRWATCH_CHROOT, as root")
    made = Board(source, tmp_path_factory.mktemp("install"))
    try:
        yield made
    finally:
        made.close()


STARTED = """
install -d -o mosquitto /run/mosquitto
mosquitto -c /etc/mosquitto/mosquitto.conf & broker=$!
runuser -u weirwatch -- /opt/weirwatch/.venv/bin/weirwatch serve \\
    --config /etc/weirwatch/weirwatch.toml 2>/tmp/log & serve=$!
trap 'kill $serve; wait $serve || true; kill $broker' EXIT
n=0
until weirwatch status >/tmp/status 2>&1; do
    n=$((n + 1)); [ $n -lt 60 ] || { cat /tmp/log /tmp/status; exit 1; }; sleep 1
done
"""
NODE_SENDS = f"""
password=$(weirwatch node add {NODE} --folder /etc/mosquitto/weirwatch --json |
    python3 -c 'import json, sys; print(json.load(sys.stdin)["password"])')
kill -HUP $broker
sleep 1
mosquitto_pub -h localhost -p 8883 --cafile /etc/mosquitto/certs/ca.crt -q 1 \\
    -u {NODE} -P "$password" -t weirwatch/{NODE}/readings -m '[{{"n":"level","u":"mm","v":301}}]'
sleep 7
weirwatch series {NODE}/level --raw --format csv
"""


@pytest.mark.slow
@pytest.mark.broker
def test_a_board_is_installed_used_upgraded_and_cleared(board: Board) -> None:
    first = board.run("cd /src && sh deploy/install")
    assert "Weirwatch is installed. Next:" in first
    assert ",301" in board.run(STARTED + NODE_SENDS, alone=True)
    private = "stat -c '%a %U' /etc/mosquitto/certs/server.key /var/lib/weirwatch"
    assert board.run(private).splitlines() == ["400 mosquitto", "700 weirwatch"]

    kept = "cksum /etc/weirwatch/weirwatch.toml /etc/mosquitto/weirwatch/* /etc/mosquitto/certs/*"
    before = board.run(kept)
    again = board.run("cd /src && sh deploy/install")
    assert "a copy of the data in /var/lib/weirwatch/copies/before-" in again
    assert "Brought up to date." in again
    assert board.run(kept) == before
    assert board.run("ls /opt/weirwatch/releases | wc -l").strip() == "2"
    assert board.run("ls /var/lib/weirwatch/copies | wc -l").strip() == "1"

    board.run("echo 'colour = 1' >>/etc/weirwatch/weirwatch.toml")
    spoilt = board.run("cd /src && sh deploy/install 2>&1 || echo code $?")
    assert "the version before runs on" in spoilt
    assert "code 2" in spoilt
    assert board.run("ls /opt/weirwatch/releases | wc -l").strip() == "2"

    board.run("cd /src && sh deploy/install --remove")
    assert board.run("ls -d /opt/weirwatch /usr/local/bin/weirwatch 2>/dev/null || true") == ""
    assert "weirwatch.sqlite3" in board.run("ls /var/lib/weirwatch")
