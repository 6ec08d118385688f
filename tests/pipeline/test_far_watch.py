"""The watcher's turn on a real file: told once, kept over a restart, returned once."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from support.still_clock import HandClock

from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.failures import FIRST_LINE
from weirwatch.domain.farwatch import Seen, Verdict
from weirwatch.pipeline.far_watch import FarWatch
from weirwatch.settings import RecipientSettings
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

WELL = Seen(True, "up", True, True)
LOST = Seen(True, "lost", True, True)
DARK = Seen(False, "", False, True)
PEOPLE = [RecipientSettings("keeper", "console"), RecipientSettings("friend", "console")]


class Tower:
    """A watcher in virtual time that can be started again."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / FILE_NAME
        self.clock = HandClock()
        self.woken: list[bool] = []
        self.open()

    def open(self) -> None:
        self.journal = SqliteJournal(self.path)
        self.far = FarWatch(
            "Harbour Hall", ZoneInfo("Europe/Oslo"), PEOPLE, load_catalogue(), self.journal,
            self.clock, lambda: self.woken.append(True),
        )  # fmt: skip

    def restart(self) -> None:
        self.journal.close()
        self.open()

    def look(self, seen: Seen, seconds: int) -> list[Verdict]:
        """Look once a second for so long."""
        told = []
        for _ in range(seconds):
            self.clock.go(1)
            verdict = self.far.look(seen)
            if verdict is not None:
                told.append(verdict)
        return told

    def texts(self) -> list[str]:
        with closing(SqliteArchive(self.path)) as archive:
            return [n.text for _, n in archive.notices(0, 100) if n.recipient == "keeper"]


@pytest.fixture
def tower(tmp_path: Path) -> Iterator[Tower]:
    made = Tower(tmp_path)
    yield made
    made.journal.close()


def test_told_once_and_the_return_once(tower: Tower) -> None:
    assert tower.look(WELL, 60) == []
    assert tower.look(LOST, 600) == [Verdict.SERVICE_LOST]
    assert tower.look(WELL, 600) == [Verdict.WELL]
    lost, back = tower.texts()
    assert lost.split("\n")[0] == (
        "CRITICAL: Weirwatch lost (Harbour Hall): the service ended without a word; its broker "
        "still answers, since 14:01"
    )
    assert (
        back.split("\n")[0]
        == "Returned to normal: CRITICAL: Weirwatch lost (Harbour Hall) at 14:11"
    )
    assert len(tower.woken) == 2


def test_what_was_told_survives_a_restart(tower: Tower) -> None:
    tower.look(LOST, 20)
    tower.restart()
    assert tower.look(LOST, 60) == []
    tower.restart()
    assert tower.look(WELL, 60) == [Verdict.WELL]
    tower.restart()
    assert tower.look(WELL, 60) == []
    assert len(tower.texts()) == 2


def test_a_dark_site_is_lost_mains_until_somebody_looked(tower: Tower) -> None:
    assert tower.look(DARK, 60) == [Verdict.SITE_DARK]
    text = tower.texts()[0].split("\n")
    assert text[0].startswith("CRITICAL: Site dark (Harbour Hall): neither broker nor API answers")
    assert text[2] == FIRST_LINE


def test_cut_off_it_says_nothing_of_the_site(tower: Tower) -> None:
    assert tower.look(Seen(False, "", False, False), 120) == [Verdict.CANNOT_SEE]
    (text,) = tower.texts()
    assert text.startswith("MEDIUM: I cannot see the site (Harbour Hall): nothing at all answers")
    assert FIRST_LINE not in text


def test_from_lost_to_dark_and_back(tower: Tower) -> None:
    told = [*tower.look(LOST, 20), *tower.look(DARK, 20), *tower.look(WELL, 20)]
    assert told == [Verdict.SERVICE_LOST, Verdict.SITE_DARK, Verdict.WELL]
    assert tower.texts()[-1].startswith("Returned to normal: CRITICAL: Site dark")
