"""The robust slope, held against scipy over cells recomputed from all readings."""

from statistics import median

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from scipy import stats

from weirwatch.domain.trend import (
    MOST_CELLS,
    MOST_IN_CELL,
    Trend,
    TrendWindow,
    TrendWindows,
    _nth,
    empty_trend,
)

Point = tuple[int, float]

lines = st.lists(
    st.tuples(st.integers(1, 40), st.integers(-50, 50).map(lambda n: n / 4)),
    min_size=1,
    max_size=120,
)

UNEVEN = [(1, 5.0), (3, 7.0), (7, 1.0), (1, 9.0), (4, 4.0), (9, 10.0)]


def timed(line: list[tuple[int, float]]) -> list[Point]:
    time, found = 1000, []
    for step, value in line:
        time += step
        found.append((time, value))
    return found


def fed(window: TrendWindow, points: list[Point]) -> TrendWindow:
    for time, value in points:
        window = window.after(time, value)
    return window


def cells_of(points: list[Point], width: int, count: int) -> list[tuple[float, float]]:
    """The cells of the window, from all readings: medians of their times and values."""
    newest = points[-1][0] // width
    cells = []
    for number in range(newest - count + 1, newest + 1):
        inside = [point for point in points if point[0] // width == number]
        if inside:
            cells.append((median(t for t, _ in inside), median(v for _, v in inside)))
    return cells


@settings(deadline=None)
@given(lines, st.integers(1, 30), st.integers(2, 40))
@example(UNEVEN, 10, 3)  # cells of two, three and one reading; three slopes
@example([*UNEVEN, (6, 0.0), (8, 8.0)], 10, 4)  # six slopes, four levels
@example([(5, 1.0), (10, 4.0)], 10, 2)  # two cells are enough for one
@example([*UNEVEN, (6, 0.0), (8, 8.0)], 10, 3)  # the first cell has left the window
@example([*UNEVEN, (16, 0.0), (8, 8.0)], 10, 5)  # four fifths are filled
@example([*UNEVEN, (26, 0.0)], 10, 5)  # three fifths are
@example(
    [*((10, float(n * n % 17 + n)) for n in range(40)), (60, 3.0)], 10, 40
)  # six cells go at once
def test_slope_is_scipys_over_cells_from_all_readings(
    line: list[tuple[int, float]], width: int, count: int
) -> None:
    # scipy.stats.theilslopes: the median of the slopes between every two points.
    points = timed(line)
    trend = fed(TrendWindow(width, count), points).trend()
    cells = cells_of(points, width, count)
    if len(cells) < 2 or len(cells) < 0.8 * count:
        assert trend is None
        return
    x, y = [t for t, _ in cells], [v for _, v in cells]
    with np.errstate(all="ignore"):  # of scipy's interval, which is not compared
        slope = stats.theilslopes(y, x).slope
    assert trend is not None
    assert trend.slope == pytest.approx(slope, rel=1e-9, abs=1e-9)
    level = median(v - slope * (t - points[-1][0]) for t, v in cells)
    assert trend.level == pytest.approx(level, rel=1e-9, abs=1e-7)


@given(lines, st.integers(1, 30), st.integers(2, 12))
def test_every_prefix_gives_what_the_whole_list_gives(
    line: list[tuple[int, float]], width: int, count: int
) -> None:
    assume(len(line) > 3)
    points = timed(line)
    window = TrendWindow(width, count)
    for n, (time, value) in enumerate(points, start=1):
        window = window.after(time, value)
        cells = cells_of(points[:n], width, count)
        assert len(window.closed) == len(cells) - 1
        assert len(window.slopes) == len(window.closed) * (len(window.closed) - 1) // 2
        assert list(window.slopes) == sorted(window.slopes)


@given(
    st.lists(st.integers(0, 20), max_size=30),
    st.lists(st.integers(0, 20), max_size=30),
    st.data(),
)
def test_nth_of_two_sorted_lists(one: list[int], other: list[int], data: st.DataObject) -> None:
    assume(one or other)
    n = data.draw(st.integers(0, len(one) + len(other) - 1))
    assert _nth(sorted(one), sorted(other), n) == sorted(one + other)[n]


def trend_of(windows: TrendWindows, points: list[Point]) -> Trend | None:
    for time, value in points:
        windows = windows.after(time, value)
    return windows.trend()


@pytest.mark.parametrize("every", [None, 5])
def test_a_straight_line_gives_its_slope_and_level(every: int | None) -> None:
    points = [(t, 20.0 + t / 100) for t in range(0, 1000, 5)]
    trend = trend_of(empty_trend(640, every), points)
    assert trend is not None
    assert trend.slope == pytest.approx(0.01, rel=1e-9)
    assert trend.level == pytest.approx(20 + 9.95, rel=1e-9)


@pytest.mark.parametrize("spacing", [5, 20, 40, 70])
def test_sparse_readings_of_unknown_rate_are_judged_in_coarser_cells(spacing: int) -> None:
    points = [(t, 3.0 - t / 50) for t in range(0, 2000, spacing)]
    trend = trend_of(empty_trend(640, None), points)
    assert trend is not None
    assert trend.slope == pytest.approx(-0.02, rel=1e-9)


def test_too_few_readings_give_no_trend() -> None:
    assert trend_of(empty_trend(640, None), [(t, 1.0) for t in range(0, 2000, 160)]) is None
    assert trend_of(empty_trend(640, 5), [(t, 1.0) for t in range(0, 505, 5)]) is None
    assert trend_of(empty_trend(640, 5), [(t, 1.0) for t in range(0, 520, 5)]) is not None


def test_a_wild_quarter_of_the_cells_does_not_bend_it() -> None:
    # Theil-Sen breaks down at 1 - 1/sqrt(2) = 29 % of wild points (Sen 1968).
    points = [(t, 900.0 if (t // 10) % 4 == 0 else 20.0 + t / 1000) for t in range(0, 640, 10)]
    trend = trend_of(empty_trend(640, 5), points)
    assert trend is not None
    assert trend.slope == pytest.approx(0.001, rel=0.2)


def test_after_a_long_gap_it_waits_until_the_window_is_filled_again() -> None:
    early = [(t, float(t)) for t in range(0, 640, 5)]
    window = empty_trend(640, 5)
    assert trend_of(window, [*early, (2000, 5.0)]) is None
    later = [(t, 7.0) for t in range(2000, 2600, 5)]
    trend = trend_of(window, early + later)
    assert trend is not None
    assert trend.slope == 0.0


def test_memory_is_bounded_and_a_crowded_cell_is_thinned_out_evenly() -> None:
    window = TrendWindow(100_000, MOST_CELLS)
    for time in range(250_000):
        window = window.after(time, float(time))
    assert window.open is not None
    assert len(window.open.kept) < MOST_IN_CELL
    assert [cell.value for cell in window.closed] == pytest.approx([50_000, 150_000], rel=0.01)
    for time in range(250_000, 30_000_000, 90_000):
        window = window.after(time, 1.0)
    assert len(window.closed) == MOST_CELLS - 1
    assert len(window.slopes) == (MOST_CELLS - 1) * (MOST_CELLS - 2) // 2


def test_what_was_before_is_never_changed() -> None:
    window = fed(TrendWindow(10, 8), [(t, float(t % 7)) for t in range(0, 200, 3)])
    before = (window.closed, list(window.slopes), window.open, window.trend())
    fed(window, [(t, 9.0) for t in range(200, 300, 3)])
    assert (window.closed, list(window.slopes), window.open, window.trend()) == before


@pytest.mark.parametrize(
    ("window", "every", "cells"),
    [
        (1_000_000, 1, [(64, 15_625)]),
        (640, None, [(64, 10), (32, 20), (16, 40), (8, 80)]),
        (100, 5, [(10, 10)]),
        (100, 7, [(7, 15)]),  # 7 cells cover the window, the last one beyond its end
        (10, 5, [(2, 5)]),
    ],
)
def test_at_most_64_cells_each_twice_as_long_as_readings_are_apart(
    window: int, every: int | None, cells: list[tuple[int, int]]
) -> None:
    assert [(rung.count, rung.width) for rung in empty_trend(window, every).rungs] == cells


def test_a_cell_keeps_127_readings_and_then_every_second_one() -> None:
    window = TrendWindow(1000, 2)
    kept = []
    for time in range(400):
        window = window.after(time, float(time))
        assert window.open is not None
        kept.append([t for t, _ in window.open.kept])
    assert kept[126] == list(range(127))
    assert kept[127] == list(range(0, 128, 2))
    assert kept[253] == list(range(0, 254, 2))
    assert kept[254] == list(range(0, 255, 4))  # the 128th again: every fourth
    assert kept[399] == list(range(0, 400, 4))
