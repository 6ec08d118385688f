"""On-time and starts within a window, held against a switch drawn microsecond by microsecond."""

from dataclasses import dataclass

from hypothesis import given, settings
from hypothesis import strategies as st

from weirwatch.domain.duty import MOST_STRETCHES, DutyWindow
from weirwatch.domain.rule import Duty

steps = st.lists(st.tuples(st.integers(1, 12), st.booleans()), min_size=1, max_size=25)
limits = st.tuples(
    st.integers(2, 30),
    st.none() | st.integers(1, 30),
    st.none() | st.integers(1, 4),
).filter(lambda d: (d[1] is not None and d[1] <= d[0]) or (d[1] is None and d[2] is not None))


@dataclass
class Drawn:
    """Every single microsecond in which it was on, and every start."""

    condition: Duty
    believed: int | None
    readings: list[tuple[int, bool]]

    def on(self, moment: int) -> bool:
        """In the microsecond that ends at `moment`."""
        before = [r for r in self.readings if r[0] < moment]
        if not before:
            return False
        time, state = before[-1]
        return state and (self.believed is None or moment <= time + self.believed)

    def on_time(self, time: int) -> int:
        return sum(self.on(m) for m in range(time - self.condition.window + 1, time + 1))

    def starts(self, time: int) -> int:
        pairs = zip(self.readings, self.readings[1:], strict=False)
        starts = [b[0] for a, b in pairs if b[1] and not a[1]]
        return sum(time - self.condition.window < start <= time for start in starts)

    def exceeded(self, time: int) -> bool:
        limit, starts = self.condition.on_for, self.condition.starts
        long = limit is not None and self.on_time(time) >= limit and self.on_time(time + 1) >= limit
        return long or (starts is not None and self.starts(time) >= starts)


def both(
    line: list[tuple[int, bool]], duty: tuple[int, int | None, int | None], believed: int | None
) -> tuple[DutyWindow, Drawn]:
    condition = Duty(duty[0], duty[1], duty[2])
    window, drawn, time = DutyWindow(condition, believed), Drawn(condition, believed, []), 100
    for step, on in line:
        time += step
        window = window.after(time, float(on))
        drawn.readings.append((time, on))
    return window, drawn


believing = st.none() | st.integers(1, 15)


@settings(deadline=None)
@given(steps, limits, believing, st.integers(0, 40))
def test_on_time_and_starts_are_those_drawn(
    line: list[tuple[int, bool]],
    duty: tuple[int, int | None, int | None],
    believed: int | None,
    later: int,
) -> None:
    window, drawn = both(line, duty, believed)
    assert window.newest is not None
    time = window.newest + later
    if window.stale(time):
        assert believed is not None
        assert later > believed
        return
    assert window.on_time(time) == drawn.on_time(time)
    if not window.stale(time + 1):  # too long is: now and in the next moment, which must be known
        assert window.exceeded(time) is drawn.exceeded(time)
    if drawn.condition.starts is not None:
        assert window.count_starts(time) == min(drawn.starts(time), drawn.condition.starts)


@settings(deadline=None)
@given(steps, limits, st.integers(12, 60))
def test_next_change_is_the_first_one_drawn(
    line: list[tuple[int, bool]], duty: tuple[int, int | None, int | None], believed: int
) -> None:
    window, drawn = both(line, duty, None)
    newest = window.newest
    assert newest is not None
    states = [(t, drawn.exceeded(t)) for t in range(newest, newest + 80)]
    now = states[0][1]
    first = next((t for t, state in states if state is not now), None)
    assert window.judged_at(newest).next_change(now) == first
    back = next((t for t, state in states if first and t > first and state is now), None)
    if first is not None:
        assert window.judged_at(first).next_change(not now) == back
    if back is not None:
        assert window.judged_at(back).next_change(now) is None
    # Believed for a while only (no reading came later than that): nothing is foretold beyond.
    doubtful, _ = both(line, duty, believed)
    told = first is not None and first <= newest + believed
    assert doubtful.judged_at(newest).next_change(now) == (first if told else None)


def test_many_short_stretches_are_drawn_together_and_none_is_lost() -> None:
    window = DutyWindow(Duty(1_000_000, on_for=1), None)
    time = 0
    for _ in range(5000):
        window = window.after(time, 1.0).after(time + 3, 0.0)
        time += 10
    assert len(window.stretches) < 2 * MOST_STRETCHES
    assert window.on_time(time) == 5000 * 3


def test_511_stretches_are_kept_apart_and_of_one_more_each_two_are_drawn_together() -> None:
    window = DutyWindow(Duty(1_000_000, on_for=1), None)
    lengths = []
    for start in range(0, 5120, 10):
        window = window.after(start, 1.0).after(start + 3, 0.0)
        lengths.append(len(window.stretches))
    assert lengths == [*range(1, 512), 256]
    assert window.stretches[0] == (7, 13)  # of (0, 3) and (10, 13): as long as both


def test_stretches_that_left_the_window_are_forgotten() -> None:
    window = DutyWindow(Duty(100, on_for=50), None)
    for start in range(0, 1000, 20):
        window = window.after(start, 1.0).after(start + 5, 0.0)
    assert window.stretches == tuple((start, start + 5) for start in range(900, 1000, 20))
    assert window.total == 25


def test_what_is_exceeded_already_is_not_foretold() -> None:
    window = DutyWindow(Duty(100, on_for=10), None).after(0, 1.0).after(20, 0.0).after(25, 1.0)
    assert window.exceeded(25)
    assert window.coming == ()


def test_starts_keep_no_more_than_the_limit_asks_for() -> None:
    window = DutyWindow(Duty(1000, starts=3), None)
    for time in range(0, 200, 2):
        window = window.after(time, float(time % 4 == 0))
    assert len(window.starts) == 3
    assert window.exceeded(199)


def test_the_first_reading_is_no_start_and_neither_is_on_after_a_gap() -> None:
    window = DutyWindow(Duty(1000, starts=1), 10).after(0, 1.0)
    assert not window.exceeded(0)
    assert not window.after(100, 1.0).exceeded(100)
    assert window.after(100, 0.0).after(105, 1.0).exceeded(105)


def test_before_its_first_reading_and_after_it_is_believed_no_more_nobody_knows() -> None:
    window = DutyWindow(Duty(1000, on_for=1), 10)
    assert window.stale(0)
    assert not window.after(0, 1.0).stale(10)
    assert window.after(0, 1.0).stale(11)
    assert not DutyWindow(Duty(1000, on_for=1), None).after(0, 1.0).stale(10**9)


def test_the_limit_is_reached_when_the_off_time_that_is_missing_has_left_the_window() -> None:
    # On from 30 to 50 and from 100: at 130 the first 30 s, off, have left the window of 100.
    window = DutyWindow(Duty(100, on_for=50), None).after(0, 0.0)
    window = window.after(30, 1.0).after(50, 0.0).after(100, 1.0)
    assert window.next_change(False) == 130
    assert not window.exceeded(129)
    assert window.exceeded(130)
    assert window.judged_at(130).next_change(False) is None  # what was judged comes no more


def test_too_long_from_the_moment_that_fewer_starts_are_left_is_no_change() -> None:
    # Starts at 10 and 20 until 60; at 60 it has been on for 42 of the last 50.
    window = DutyWindow(Duty(50, on_for=42, starts=2), None).after(0, 0.0)
    window = window.after(10, 1.0).after(12, 0.0).after(20, 1.0)
    assert all(window.exceeded(time) for time in (20, 59, 60, 61))
    assert window.judged_at(20).next_change(True) is None


def test_of_a_stretch_that_began_before_the_window_only_the_rest_counts() -> None:
    # On from 10 to 40 and from 120: at 120 the first has 20 left, at 170 all of it has gone.
    window = DutyWindow(Duty(100, on_for=50), None).after(0, 0.0)
    window = window.after(10, 1.0).after(40, 0.0).after(120, 1.0)
    assert window.next_change(False) == 170
    assert (window.exceeded(169), window.exceeded(170)) == (False, True)


def test_it_ends_when_so_much_on_time_has_left_the_window_as_was_beyond_the_limit() -> None:
    # On for 10 from 10 and for 40 from 30: 15 beyond the limit, 10 of the first and 5 more.
    for limit, ends in ((35, 135), (40, 130)):  # of 40 the first stretch is all that is beyond
        window = DutyWindow(Duty(100, on_for=limit), None).after(0, 0.0)
        window = window.after(10, 1.0).after(20, 0.0).after(30, 1.0).after(70, 0.0)
        assert window.next_change(True) == ends
        assert (window.exceeded(ends - 1), window.exceeded(ends)) == (True, False)


def test_with_both_limits_exceeded_it_ends_when_neither_is_any_longer() -> None:
    window = DutyWindow(Duty(100, on_for=10, starts=2), None).after(0, 0.0)
    window = window.after(10, 1.0).after(15, 0.0).after(20, 1.0).after(70, 0.0)
    assert window.next_change(True) == 160  # fewer starts from 110 on
    window = DutyWindow(Duty(100, on_for=25, starts=1), None).after(0, 0.0)
    window = window.after(10, 1.0).after(40, 0.0).after(80, 1.0).after(81, 0.0)
    assert window.next_change(True) == 180  # less on-time from 116 on
