"""The room's part of the swing of pH, against waters whose parts are known."""

import math

import pytest

from weirwatch.domain.instant import Micros
from weirwatch.pipeline.room_co2 import LAG_H, Water, room_part
from weirwatch.pipeline.water_days import DAY, HOUR
from weirwatch.water.carbonate import dkh_to_umol_kg, pco2_from_room_ppm, ph_from_alkalinity_pco2

WATER = Water(8.0, 35.0, 25.0)
START: Micros = 20_000 * DAY


def room(hour: int, low: float = 500.0, high: float = 1500.0) -> float:
    """People are at home at night: highest at midnight."""
    return (low + high) / 2 + (high - low) / 2 * math.cos(hour / 24 * 2 * math.pi)


def still_ph(ppm: float) -> float:
    alkalinity = dkh_to_umol_kg(8.0, 35.0, 25.0)
    return ph_from_alkalinity_pco2(
        alkalinity, pco2_from_room_ppm(ppm, 35.0, 25.0), 35.0, 25.0, "nbs"
    )


def series(value: object, days: int = 10) -> dict[Micros, float]:
    assert callable(value)
    return {START + hour * HOUR: float(value(hour)) for hour in range(24 * days)}


def lagged(days: int = 10) -> dict[Micros, float]:
    found, follow = {}, 1.0 - math.exp(-1.0 / LAG_H)
    now = room(0)
    for hour in range(24 * days):
        now += follow * (room(hour) - now)
        found[START + hour * HOUR] = still_ph(now)
    return found


def test_water_that_only_follows_the_room_owes_it_all() -> None:
    part = room_part(lagged(), series(room), WATER, 0)
    assert part is not None
    assert part["share"] == pytest.approx(1.0, abs=0.02)
    swing = max(lagged().values()) - min(list(lagged().values())[48:])
    assert part["part"] == pytest.approx(swing, rel=0.1)
    # rows 4.13 and 4.15 of the check values: 0.335 lower from 400 to 1000 ppm, a factor of 2.5
    assert part["at_most"] == pytest.approx(still_ph(500) - still_ph(1500), abs=0.01)


def test_a_room_of_outdoor_air_has_no_part() -> None:
    live = series(lambda hour: 8.2 + 0.15 * math.sin(hour / 24 * 2 * math.pi))
    part = room_part(live, series(lambda _: 450.0), WATER, 0)
    assert part is not None
    assert part["part"] == pytest.approx(0.0, abs=1e-9)


def test_room_and_life_add_up() -> None:
    still = lagged()
    live = {
        hour: ph + 0.10 * math.sin((at - 6) / 24 * 2 * math.pi)
        for at, (hour, ph) in enumerate(still.items())
    }
    part = room_part(live, series(room), WATER, 0)
    assert part is not None
    whole = room_part(still, series(room), WATER, 0)
    assert whole is not None
    # Least squares within a day: cov(room, room + life) / var(room + life), by hand.
    day = range(24 * 5, 24 * 6)
    r = [list(still.values())[at] for at in day]
    p = [list(live.values())[at] for at in day]
    rm, pm = sum(r) / 24, sum(p) / 24
    share = sum((a - rm) * (b - pm) for a, b in zip(r, p, strict=True)) / sum(
        (b - pm) ** 2 for b in p
    )
    assert part["share"] == pytest.approx(share, abs=0.02)
    assert 0.2 < part["share"] < 0.9


def test_two_days_are_too_few_and_a_gap_is_no_lag() -> None:
    assert room_part(lagged(2), series(room, 2), WATER, 0) is None
    assert room_part({}, {}, WATER, 0) is None
    gap = {
        hour: value for hour, value in series(room).items() if not 50 < (hour - START) / HOUR < 70
    }
    assert room_part(lagged(), gap, WATER, 0) is not None


def test_water_beyond_the_chemistry_is_refused() -> None:
    with pytest.raises(ValueError, match="S"):
        room_part(lagged(), series(room), Water(8.0, 90.0, 25.0), 0)
