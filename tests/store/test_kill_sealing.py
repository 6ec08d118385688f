"""kill -9 while sealing, merging and letting go: nothing sure is lost, nothing is there twice.

The campaign by hand: WEIRWATCH_KILLS=300 pytest tests/store/test_kill_sealing.py; with backups
meanwhile: python tests/bench/kill_store.py
"""

import os
import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from support.kill_world import Expected, check, run_until_killed
from support.sealing_writer import RETENTION, STEP, begin_of
from support.stored import tend

from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_journal import SqliteJournal

KILLS = int(os.environ.get("WEIRWATCH_KILLS", "30"))


@pytest.mark.slow
def test_nothing_is_lost_or_doubled_whenever_it_is_killed(tmp_path: Path) -> None:
    chance = random.Random(int(os.environ.get("WEIRWATCH_SEED", "20260501")))
    data_dir = tmp_path / "data"
    expected = Expected()
    count = upkeep = 0
    for _ in range(KILLS):
        lines = run_until_killed(
            data_dir,
            after_lines=chance.randint(1, 60),
            delay_s=chance.uniform(0.0, 0.05),
        )
        assert lines[0] == "opened None"
        printed = [int(line) for line in lines if line.isdigit()]
        if printed:
            assert printed == list(range(printed[0], printed[-1] + 1))
            assert printed[0] == count + 1, "a group is missing or was made twice"
        sure = printed[-1] if printed else count
        upkeep += lines[-1] == "m"
        path = data_dir / FILE_NAME
        with closing(sqlite3.connect(path)) as connection:
            count = connection.execute("SELECT count(*) FROM event").fetchone()[0]
        assert count in (sure, sure + 1), "a printed group is not there"
        expected.grow(count)
        gone, forgotten = check(path, expected)
    assert upkeep > KILLS // 5, "too few were killed while sealing: this shows little"
    assert gone > forgotten > 0, "nothing was let go: this shows little"
    with closing(SqliteJournal(path, retention=RETENTION)) as journal:
        tend(journal, begin_of(count) + STEP)
    check(path, expected, settled=True)
