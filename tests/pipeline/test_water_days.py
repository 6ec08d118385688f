"""Days of a channel: whole ones only, by the keeper's midnight; the newest against the usual."""

from typing import Any
from zoneinfo import ZoneInfo

import pytest

from weirwatch.domain.instant import Micros, from_rfc3339
from weirwatch.domain.reading import Channel
from weirwatch.pipeline.water_days import DAY, HOUR, days_of, level_json, offset_of, swing_json

START: Micros = from_rfc3339("2026-05-01T00:00:00Z")
CHANNEL = Channel("hall/node/evaporation", "evaporation", "L/d")


def litres(values: list[float]) -> dict[str, Any]:
    hours = {
        START + h * HOUR: v for day, v in enumerate(values) for h in range(24 * day, 24 * day + 24)
    }
    return level_json(CHANNEL, days_of(hours, 0), 0)


def test_a_day_begins_at_the_keepers_midnight() -> None:
    offset = offset_of(ZoneInfo("Europe/Oslo"), START)
    assert offset == 2 * HOUR
    hours = {START - 2 * HOUR + h * HOUR: float(h) for h in range(24)}
    (day,) = days_of(hours, offset)
    assert (day.low, day.high) == (0.0, 23.0)
    assert swing_json(CHANNEL, [day], offset)["daily"] == [
        {"from": "2026-04-30T22:00:00Z", "low": 0.0, "high": 23.0}
    ]


def test_a_day_with_too_few_hours_does_not_count() -> None:
    assert days_of({START + h * HOUR: 1.0 for h in range(17)}, 0) == []
    assert len(days_of({START + h * HOUR: 1.0 for h in range(18)}, 0)) == 1


def test_the_newest_day_is_held_against_the_fourteen_before() -> None:
    found = litres([30.0] * 6 + [20.0] * 14 + [41.0])
    assert (found["of_late"], found["last"]) == (20.0, 41.0)
    assert found["change"] == pytest.approx(2.05)
    assert found["unusual"] is True
    assert litres([20.0] * 14 + [39.0])["unusual"] is False
    assert litres([20.0] * 14 + [9.0])["unusual"] is True


def test_too_few_days_before_say_nothing() -> None:
    found = litres([20.0] * 6 + [60.0])
    assert (found["change"], found["unusual"]) == (None, False)
    assert level_json(CHANNEL, [], 0)["last"] is None
    assert DAY == 24 * HOUR
