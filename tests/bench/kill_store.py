"""kill -9 at random moments of commits, merging, sealing, letting go and backups; compare all.

After each kill: every reading is compared with its origin, none lost, none twice, SQLite's own
check, no orphan; the copy under its name is whole and of one state. Run as:

    PYTHONPATH=services:tests python tests/bench/kill_store.py [--kills 200] [--seed N]
"""

import argparse
import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
from contextlib import closing
from pathlib import Path

from support.kill_world import Expected, check, run_until_killed

from weirwatch.store.backup import examine
from weirwatch.store.schema import FILE_NAME

SUPPORT = Path(__file__).parents[1] / "support"


class Copier:
    """Backs the file up again and again until it is killed."""

    def __init__(self, data_dir: Path, copy: Path) -> None:
        argv = [sys.executable, str(SUPPORT / "backing_up.py"), "backup"]
        self._process = subprocess.Popen(
            [*argv, str(data_dir), str(copy)], stdout=subprocess.PIPE, text=True
        )
        self.begun = 0
        threading.Thread(target=self._count, daemon=True).start()

    def _count(self) -> None:
        assert self._process.stdout is not None
        for _ in self._process.stdout:
            self.begun += 1

    def kill(self) -> None:
        self._process.kill()
        self._process.wait()
        assert self._process.returncode == -signal.SIGKILL, "it ended by itself"


def main() -> None:
    """Kill as often as asked, and say what was seen."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=20260501)
    options = parser.parse_args()
    chance = random.Random(options.seed)
    names = ("kills", "in upkeep", "beside a backup", "copies compared", "let go", "forgotten")
    counts = dict.fromkeys(names, 0)
    with tempfile.TemporaryDirectory() as name:
        data_dir, copy = Path(name) / "data", Path(name) / "copy.sqlite3"
        path, expected, count = data_dir / FILE_NAME, Expected(), 0
        while counts["kills"] < options.kills:
            copier = Copier(data_dir, copy) if path.exists() and chance.random() < 0.5 else None
            lines = run_until_killed(
                data_dir,
                after_lines=chance.randint(1, 60),
                delay_s=chance.uniform(0.0, 0.05),
            )
            if copier is not None:
                copier.kill()
                counts["beside a backup"] += copier.begun > 0
            counts["kills"] += 1
            counts["in upkeep"] += lines[-1] == "m"
            printed = [int(line) for line in lines if line.isdigit()]
            assert not printed or printed[0] == count + 1, "a group is missing or was made twice"
            sure = printed[-1] if printed else count
            count = events(path)
            assert count in (sure, sure + 1), f"{count} groups are there, {sure} were sure"
            expected.grow(count)
            counts["let go"], counts["forgotten"] = check(path, expected)
            if copy.exists():
                report = examine(copy)
                assert report.damaged == []
                assert report.rows["event"] <= count
                counts["copies compared"] += 1
            if counts["kills"] % 20 == 0:
                print(counts, flush=True)
    print(f"seed {options.seed}: {counts}: nothing lost, nothing twice, every check sound")


def events(path: Path) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute("SELECT count(*) FROM event").fetchone()[0])


if __name__ == "__main__":
    os.environ["PYTHONPATH"] = os.pathsep.join(sys.path)
    main()
