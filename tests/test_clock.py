"""The only reader of time: the machine's clocks, and one that runs faster."""

import time

import pytest

from weirwatch.clock import ScaledClock, SystemClock, clock_from_json, scaled_clock
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.ports import Clock

START: Micros = 1_777_636_800 * SECOND


def test_the_system_clock_shows_the_machines_clocks() -> None:
    clock: Clock = SystemClock()
    before, mono = time.time_ns() // 1000, time.monotonic_ns() // 1000
    moment = clock.now()
    assert before <= moment.utc <= time.time_ns() // 1000
    assert mono <= moment.mono <= clock.real_mono() <= time.monotonic_ns() // 1000
    assert clock.speed == 1.0


def test_a_scaled_clock_starts_where_it_is_told_and_runs_faster() -> None:
    began = time.monotonic_ns() // 1000
    clock: Clock = scaled_clock(60.0, START)
    first, passed = clock.now(), clock.real_mono() - began
    assert START <= first.utc <= START + 60 * (passed + 1000)
    time.sleep(0.02)
    second, passed = clock.now(), clock.real_mono() - began
    assert second.utc - first.utc >= 60 * 19_000
    assert second.utc <= START + 60 * (passed + 1000)
    assert second.mono - first.mono == second.utc - first.utc


def test_real_time_of_a_scaled_clock_is_not_scaled() -> None:
    clock = scaled_clock(60.0, START)
    before = time.monotonic_ns() // 1000
    assert before <= clock.real_mono() <= time.monotonic_ns() // 1000


def test_at_speed_one_it_keeps_pace() -> None:
    clock = ScaledClock(1.0, START, time.monotonic_ns() // 1000)
    moment = clock.now()
    assert moment.utc == START + moment.mono


@pytest.mark.parametrize("clock", [SystemClock(), scaled_clock(30.0, START)])
def test_two_processes_share_one_time_line(clock: SystemClock | ScaledClock) -> None:
    other = clock_from_json(clock.as_json())
    assert type(other) is type(clock)
    assert other.speed == clock.speed
    before, there, after = clock.now(), other.now(), clock.now()
    assert before.utc <= there.utc <= after.utc
    assert before.mono <= there.mono <= after.mono


@pytest.mark.parametrize("nothing", [None, ""])
def test_without_a_text_it_is_the_systems(nothing: str | None) -> None:
    assert isinstance(clock_from_json(nothing), SystemClock)
