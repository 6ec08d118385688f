"""Engine now: the wall clock while it can be trusted, and never backwards."""

import random

import pytest
from support.still_clock import NOON, HandClock

from weirwatch.domain.instant import SECOND
from weirwatch.pipeline.timekeeper import TOLERANCE, Timekeeper

HOUR = 3600 * SECOND


def test_it_shows_the_wall_clock() -> None:
    clock = HandClock()
    keeper = Timekeeper(clock, None)
    assert (keeper.now(), keeper.trusted, keeper.behind) == (NOON, True, 0)
    clock.go(2.5)
    assert keeper.now() == NOON + 2_500_000
    clock.set_wall(NOON + HOUR)  # a time server corrects a slow clock
    assert (keeper.now(), keeper.trusted) == (NOON + HOUR, True)


def test_it_starts_at_the_last_record_when_that_is_later() -> None:
    clock = HandClock()
    keeper = Timekeeper(clock, NOON + HOUR)
    assert (keeper.now(), keeper.trusted, keeper.behind) == (NOON + HOUR, False, HOUR)
    clock.go(10)
    assert (keeper.now(), keeper.behind) == (NOON + HOUR + 10 * SECOND, HOUR)
    clock.set_wall(NOON + HOUR + 9 * SECOND)  # nearly there: within the tolerance
    assert (keeper.now(), keeper.trusted) == (NOON + HOUR + 10 * SECOND, True)
    clock.set_wall(NOON + HOUR + 11 * SECOND)
    assert (keeper.now(), keeper.trusted, keeper.behind) == (NOON + HOUR + 11 * SECOND, True, 0)


def test_a_jump_forward_is_told_once_and_what_passes_is_none() -> None:
    clock = HandClock()
    keeper = Timekeeper(clock, None)
    clock.go(HOUR / SECOND)
    clock.set_wall(clock.utc + TOLERANCE)  # ordinary clock discipline
    keeper.now()
    assert keeper.set_forward() == 0
    clock.go(5)
    clock.set_wall(clock.utc + HOUR)
    keeper.now()
    clock.go(5)
    keeper.now()
    assert (keeper.set_forward(), keeper.set_forward()) == (HOUR, 0)
    clock.set_wall(clock.utc - 2 * HOUR)
    keeper.now()
    clock.set_wall(clock.utc + HOUR)  # still behind: time only goes on
    keeper.now()
    assert keeper.set_forward() == 0
    clock.set_wall(clock.utc + 3 * HOUR)
    keeper.now()
    assert keeper.set_forward() == 2 * HOUR


def test_a_record_before_now_changes_nothing() -> None:
    keeper = Timekeeper(HandClock(), NOON - HOUR)
    assert (keeper.now(), keeper.trusted) == (NOON, True)


@pytest.mark.parametrize(("step", "trusted"), [(TOLERANCE, True), (TOLERANCE + 1, False)])
def test_a_small_step_back_is_ordinary(step: int, trusted: bool) -> None:
    clock = HandClock()
    keeper = Timekeeper(clock, None)
    clock.set_wall(NOON - step)
    assert (keeper.now(), keeper.trusted, keeper.behind) == (NOON, trusted, step)


def test_a_monotonic_clock_that_is_not_adds_nothing() -> None:
    clock = HandClock()
    keeper = Timekeeper(clock, NOON + HOUR)
    clock.mono -= 5 * SECOND
    assert keeper.now() == NOON + HOUR
    clock.go(1)
    assert keeper.now() == NOON + HOUR + SECOND


def test_whatever_the_wall_clock_does_time_goes_forward_as_fast_as_it_passes() -> None:
    chance = random.Random(5)
    clock = HandClock()
    keeper = Timekeeper(clock, NOON)
    known = keeper.now()
    for _ in range(2000):
        passed = chance.choice([0.0, 0.001, 1.0])
        clock.go(passed)
        if chance.random() < 0.1:
            clock.set_wall(NOON + chance.randint(-HOUR, HOUR))
        now = keeper.now()
        assert now >= known + round(passed * SECOND) or now == clock.utc
        assert now >= known
        assert keeper.trusted is (now - clock.utc <= TOLERANCE)
        known = now
