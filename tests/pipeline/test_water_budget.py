"""The budget out of an invented log of 120 days in which the reactor takes over."""

from collections.abc import Sequence

import pytest
from support.invented_log import START, UPTAKE, VOLUME, entry, invented

from weirwatch.domain.keeper_log import LogEntry
from weirwatch.pipeline.water_budget import DAY, Budget, Flag, budget
from weirwatch.water.dosing import calcium_with_alkalinity_mg_L


def found(entries: Sequence[LogEntry], quantity: str = "alkalinity") -> Budget:
    made = budget(entries, quantity, VOLUME, START, START + 120)
    assert made.consumption is not None
    return made


def test_the_true_consumption_is_found_within_five_per_cent() -> None:
    made = found(invented())
    assert made.consumption is not None
    assert made.consumption.per_day == pytest.approx(UPTAKE, rel=0.05)
    assert abs(made.consumption.per_day - UPTAKE) < 4 * made.consumption.standard_error + 0.02
    assert made.flags == ()
    assert made.reactor + made.dosed == pytest.approx(UPTAKE, rel=0.05)
    reactor, dosed = made.share(made.reactor), made.share(made.dosed)
    assert reactor is not None
    assert dosed is not None
    assert 0.3 < reactor < 0.6
    assert reactor + dosed == pytest.approx(1.0, abs=0.05)


def test_calcium_goes_with_it() -> None:
    made = found(invented(), "calcium")
    assert made.consumption is not None
    wanted = calcium_with_alkalinity_mg_L(UPTAKE)
    assert made.consumption.per_day == pytest.approx(wanted, rel=0.05)


@pytest.mark.parametrize("day", [20.5, 61.2, 101.4])
def test_the_day_of_an_overdose_nobody_wrote_down_is_flagged(day: float) -> None:
    made = found(invented(hidden=(day, 2.5)))
    assert made.consumption is not None
    assert made.consumption.per_day == pytest.approx(UPTAKE, rel=0.05)
    (flag,) = made.flags
    assert flag.what == "unexplained-rise"
    assert flag.from_day <= START + day <= flag.to_day
    assert flag.to_day - flag.from_day <= 2.1, "no wider than the tests stand apart"
    assert flag.amount == pytest.approx(2.5, abs=0.6)


def test_the_day_of_an_overdose_in_the_log_is_flagged() -> None:
    made = found(invented(logged=2.0))
    assert made.consumption is not None
    assert made.consumption.per_day == pytest.approx(UPTAKE, rel=0.05)
    flags = [flag for flag in made.flags if flag.what == "too-much-in-a-day"]
    assert Flag(START + 80, START + 81, "too-much-in-a-day", pytest.approx(2.0, abs=0.5)) in flags  # type: ignore[arg-type]


def test_one_bad_test_is_doubtful_and_no_overdose() -> None:
    entries = invented()
    at = next(i for i, e in enumerate(entries) if e.kind == "test" and e.time > (START + 60) * DAY)
    bad = entries[at]
    wrong = LogEntry(
        bad.time, bad.time, "test", "hall", subject="alkalinity", value=14.0, number=77
    )
    made = found([*entries[:at], wrong, *entries[at + 1 :]])
    assert made.doubtful == (77,)
    assert made.flags == ()


def test_a_water_change_counts_by_what_it_brings() -> None:
    tests = [
        entry(float(d), "test", subject="alkalinity", value=8.0 - 0.1 * d + (0.5 if d > 5 else 0))
        for d in range(0, 12, 2)
    ]
    change = entry(5.0, "water-change", detail={"part": 0.25, "fresh": {"alkalinity": 9.5}})
    made = found([*tests, change])
    assert made.consumption is not None
    assert made.consumption.per_day == pytest.approx(0.1, abs=0.02)
    assert made.changed > 0


def test_two_tests_are_too_few() -> None:
    tests = [entry(float(d), "test", subject="alkalinity", value=8.0) for d in (0, 5)]
    made = budget(tests, "alkalinity", VOLUME, START, START + 120)
    assert made.consumption is None
    assert made.tests == 2
    assert made.share(1.0) is None
