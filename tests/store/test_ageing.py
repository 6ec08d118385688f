"""A wall clock that is wrong for a while lets no reading go; time that really passed does."""

from contextlib import closing
from pathlib import Path

from support.still_clock import HandClock
from support.stored import CHANNELS, LEVEL, T0

from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Reading
from weirwatch.settings import Kept, RetentionSettings
from weirwatch.store.ageing import BELIEVED_AFTER
from weirwatch.store.block import HOUR
from weirwatch.store.retention import DAY
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

PAST = [Reading(LEVEL.id, T0 - n * HOUR, float(n)) for n in range(1, 9 * 24)]


class Board:
    """A journal on a clock, for as long as the board has power."""

    def __init__(self, path: Path, clock: HandClock, raw_days: int = 10) -> None:
        self.clock = clock
        retention = RetentionSettings(Kept(raw_days))
        self.journal = SqliteJournal(path, clock=clock, retention=retention)
        self.journal.adopt(CHANNELS, ())

    def run(self, time: Micros) -> None:
        """Let so much time pass, with upkeep each quarter of an hour."""
        for _ in range(max(1, time // (HOUR // 4))):
            self.clock.go(900)
            self.tend()

    def tend(self) -> None:
        while self.journal.maintain(self.clock.utc, 0.0):
            pass

    def oldest(self, path: Path) -> Micros:
        with closing(SqliteArchive(path)) as archive:
            return archive.readings(LEVEL.id, 0, 2**60, None, 1)[0].time


def begun(path: Path) -> Board:
    board = Board(path, HandClock(T0))
    board.journal.take_in(PAST, T0)
    board.run(2 * HOUR)
    assert board.oldest(path) == PAST[-1].time
    return board


def test_a_boot_years_ahead_lets_nothing_go(path: Path) -> None:
    begun(path).journal.close()
    ahead = Board(path, HandClock(T0 + 3650 * DAY))
    ahead.run(6 * HOUR)
    assert ahead.oldest(path) == PAST[-1].time
    ahead.journal.close()
    mended = Board(path, HandClock(T0 + 9 * HOUR))
    mended.run(6 * HOUR)
    assert mended.oldest(path) == PAST[-1].time
    mended.journal.close()


def test_a_clock_set_ahead_and_back_while_it_runs_lets_nothing_go(path: Path) -> None:
    board = begun(path)
    board.clock.set_wall(T0 + 400 * DAY)
    board.run(8 * HOUR)
    board.clock.set_wall(T0 + 10 * HOUR)
    board.run(6 * HOUR)
    assert board.oldest(path) == PAST[-1].time
    board.journal.close()


def test_days_that_pass_let_go_on_time(path: Path) -> None:
    board = begun(path)
    board.run(3 * DAY)
    late = board.clock.utc - 10 * DAY
    assert late // HOUR <= board.oldest(path) // HOUR <= late // HOUR + 1
    board.journal.close()


def test_after_a_pause_it_catches_up_twice_as_fast(path: Path) -> None:
    begun(path).journal.close()
    later = Board(path, HandClock(T0 + 4 * DAY))
    later.run(DAY)
    kept = later.oldest(path)
    assert kept < later.clock.utc - 12 * DAY
    later.run(3 * DAY + 2 * HOUR)
    late = later.clock.utc - 10 * DAY
    assert kept < late // HOUR * HOUR <= later.oldest(path) <= late + HOUR
    later.journal.close()


def test_a_clock_that_stands_for_a_week_is_believed(path: Path) -> None:
    begun(path).journal.close()
    right = Board(path, HandClock(T0 + 300 * DAY), raw_days=30)
    right.journal.take_in([Reading(LEVEL.id, right.clock.utc - SECOND, 1.0)], right.clock.utc)
    right.run(BELIEVED_AFTER - HOUR)
    assert right.oldest(path) < T0
    right.run(2 * HOUR)
    assert right.oldest(path) > T0
    right.journal.close()


def test_a_board_that_boots_in_1970_every_other_day_ages_all_the_same(path: Path) -> None:
    begun(path).journal.close()
    now = T0 + 2 * HOUR
    for _ in range(10):
        board = Board(path, HandClock(900 * SECOND))  # no battery clock: until it is set
        board.tend()
        board.clock.go(60)
        board.tend()
        board.clock.set_wall(now)
        board.run(2 * DAY)
        now = board.clock.utc
        board.journal.close()
    with closing(SqliteArchive(path)) as archive:
        assert archive.readings(LEVEL.id, 0, 2**60, None, 1) == []


def test_a_clock_that_was_ahead_for_long_is_taken_back(path: Path) -> None:
    begun(path).journal.close()
    ahead = Board(path, HandClock(T0 + 300 * DAY), raw_days=3650)
    ahead.run(BELIEVED_AFTER + HOUR)
    ahead.clock.set_wall(T0 + 8 * DAY)
    ahead.run(6 * HOUR)
    ahead.journal.close()
    again = Board(path, HandClock(T0 + 300 * DAY), raw_days=60)
    again.run(6 * HOUR)
    assert again.oldest(path) == PAST[-1].time
    again.journal.close()
