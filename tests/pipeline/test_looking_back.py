"""What a start reads again: windows and frozen probes go on as if nothing had happened."""

from collections.abc import Iterable
from typing import Any

import pytest
from domain.engine_run import EngineRun, OnRecord
from support.bench_engine import LEVEL, book, channel, rule, told

from weirwatch.domain.engine import start
from weirwatch.domain.instant import micros
from weirwatch.domain.reading import Channel, Quality, Reading
from weirwatch.domain.rule import BadMeasurement, Duty, RateOfChange, SwitchIs
from weirwatch.domain.state import EngineState, Observed
from weirwatch.pipeline import looking_back
from weirwatch.pipeline.looking_back import look_back

CONTACT = channel(quantity="switch")


def left(condition: Any, points: Iterable[tuple[float, float]], one: Channel) -> EngineRun:
    """A run in which these readings arrived on time."""
    run = EngineRun(book([rule(condition=condition)], [one]), 0)
    for second, value in points:
        run.advance(micros(second))
        run.reading(Reading(LEVEL, micros(second), value))
    return run


def test_a_start_within_the_span_is_still_a_start_after_a_restart() -> None:
    duty = Duty(micros(100), starts=3)
    run = left(duty, [(0, 0), (200, 1), (210, 0), (220, 1), (230, 0)], CONTACT)
    run.restart(micros(240))  # off since long before: only the reading at 0 s says so
    run.advance(micros(250))
    run.reading(Reading(LEVEL, micros(250), 1))
    assert told(run.events) == [(250, "raised", "unacknowledged", True)]


def test_what_began_long_before_the_span_counts_within_it() -> None:
    run = left(Duty(micros(100), on_for=micros(60)), [(0, 1), (500, 0)], CONTACT)
    run.restart(micros(510))
    run.advance(micros(600))
    assert told(run.events) == [
        (60, "raised", "unacknowledged", True),
        (540, "returned", "returned-unacknowledged", False),
    ]


def test_a_long_absence_takes_nothing_off_what_was_on_record() -> None:
    run = left(Duty(micros(100), on_for=micros(30)), [(0, 1), (20, 0), (40, 1)], CONTACT)
    run.restart(micros(5000))
    assert told(run.events) == [(50, "raised", "unacknowledged", True)]


def test_a_frozen_probe_that_seldom_reports_is_still_frozen() -> None:
    run = left(BadMeasurement(frozen=micros(90)), [(0, 5), (100, 5), (200, 5)], channel())
    run.restart(micros(250))
    run.advance(micros(300))
    run.reading(Reading(LEVEL, micros(300), 5))
    assert told(run.events) == [(100, "raised", "unacknowledged", True)]


@pytest.mark.parametrize("bad_until", [80, 190])
def test_a_trend_outlives_bad_readings_after_it(bad_until: int) -> None:
    rising = RateOfChange(micros(60), rise=0.05)
    run = left(rising, [(t, t / 10) for t in range(0, 70, 5)], channel())
    for second in range(70, bad_until, 5):
        run.advance(micros(second))
        run.reading(Reading(LEVEL, micros(second), -5.0, Quality.BAD))
    (window,) = run.state.windows.values()
    run.restart(micros(200))
    (filled_again,) = run.state.windows.values()
    assert filled_again.slope() == window.slope() == pytest.approx(1e-7)  # a microsecond


def filled(record: OnRecord, condition: Any) -> EngineState:
    """A state after a start on this record."""
    newest = record.kept[-1]
    observed = Observed(
        newest.time, newest.value, newest.quality, "", newest.time, None, None, newest.time
    )
    made = book([rule(condition=condition)], [CONTACT])
    state = start({}, {LEVEL: observed}, made, newest.time, link_up=False)
    look_back(state, made, record)
    return state


def test_it_looks_beyond_doubtful_readings_for_a_good_one() -> None:
    doubtful = [Reading(LEVEL, micros(t), 0.0, Quality.UNCERTAIN) for t in range(100, 1000, 100)]
    record = OnRecord([Reading(LEVEL, 0, 1.0), *doubtful, Reading(LEVEL, micros(1000), 0.0)])
    window = filled(record, Duty(micros(50), on_for=micros(10))).windows["high"]
    assert window.on_time(micros(1000)) == micros(50)


@pytest.mark.parametrize("page", [1, 2, 3])
def test_a_span_of_many_pages_is_read_to_its_end(monkeypatch: Any, page: int) -> None:
    monkeypatch.setattr(looking_back, "PAGE", page)
    record = OnRecord([Reading(LEVEL, micros(t), float(t % 2)) for t in range(6)])
    window = filled(record, Duty(micros(5), on_for=micros(1))).windows["high"]
    assert (window.newest, window.on_time(micros(5))) == (micros(5), micros(2))


def contact_says(run: EngineRun, *said: tuple[float, float, float, Quality]) -> None:
    """Readings of a contact: when each arrives, its own time, its value and quality."""
    for arrives, own, value, quality in said:
        run.advance(micros(arrives))
        run.reading(Reading(LEVEL, micros(own), value, quality))


def test_what_came_late_and_was_never_judged_takes_nothing_back_at_a_start() -> None:
    run = EngineRun(book([rule(condition=SwitchIs(False))], [CONTACT]), 0)
    contact_says(run, (1, 1, 0, Quality.GOOD), (100, 100, 0, Quality.UNCERTAIN))
    contact_says(run, (110, 50, 1, Quality.GOOD))  # late, behind the doubtful one
    run.restart(micros(200))
    run.advance(micros(250))
    assert told(run.events) == [(1, "raised", "unacknowledged", True)]
    contact_says(run, (300, 300, 1, Quality.GOOD))
    assert told(run.events)[1:] == [(300, "returned", "returned-unacknowledged", False)]


def test_what_came_late_and_was_never_judged_raises_at_a_start() -> None:
    run = EngineRun(book([rule(condition=SwitchIs(True))], [CONTACT]), 0)
    contact_says(run, (100, 100, 0, Quality.BAD), (110, 50, 1, Quality.GOOD))
    assert run.events == []
    run.restart(micros(200))
    assert told(run.events) == [(200, "raised", "unacknowledged", True)]
