from typing import Any
from zoneinfo import ZoneInfo

import pytest
from support.page_sight import MINUTE, NOW

from weirwatch.domain.instant import from_rfc3339
from weirwatch.domain.reading import Channel
from weirwatch.ports import Bucket
from weirwatch.web.page.trend import options, summary

OSLO = ZoneInfo("Europe/Oslo")
TEMPERATURE = Channel("a/b/temperature", "temperature", "Cel", resolution=0.01)
SWITCH = Channel("a/b/lights", "switch")


def bucket(minute: int, low: float, mean: float, high: float, count: int = 12) -> Bucket:
    start = NOW + minute * MINUTE
    return Bucket(start, start + MINUTE, low, mean, high, count)


def chart(buckets: list[Bucket], channel: Channel = TEMPERATURE) -> dict[str, Any]:
    return options(buckets, channel, (NOW, NOW + 60 * MINUTE), OSLO, [26.5])


def test_summary_weighs_the_mean_by_count() -> None:
    said = summary([bucket(0, 25.0, 25.0, 25.1, 1), bucket(1, 24.5, 26.0, 26.25, 3)], TEMPERATURE)
    plain = said.replace("\N{NO-BREAK SPACE}", " ")
    assert plain.startswith("Lowest 24.50 °C, mean 25.75 °C, highest 26.25 °C, of 4 readings.")


def test_summary_of_a_switch_and_of_nothing() -> None:
    assert summary([bucket(0, 0, 0.25, 1, 4)], SWITCH) == "On for 25 % of 4 readings."
    assert summary([], SWITCH) == "No readings in this span."


def test_a_gap_is_a_gap() -> None:
    series = chart([bucket(0, 25, 25, 25), bucket(1, 25, 25, 25), bucket(9, 25, 25, 25)])["series"]
    for line in series:
        assert [value is None for _, value in line["data"]] == [False, False, True, False]
        assert line["connectNulls"] is False


def test_minimum_plus_range_is_maximum() -> None:
    low, band, mean = chart([bucket(0, 24.5, 25.0, 26.25)])["series"]
    assert low["data"][0][1] + band["data"][0][1] == pytest.approx(26.25)
    assert low["stackStrategy"] == band["stackStrategy"] == "all"  # also below zero
    assert mean["data"][0][1] == 25.0
    assert mean["markLine"]["data"] == [{"yAxis": 26.5}]


def test_the_axis_shows_the_keepers_clock() -> None:
    axis = chart([])["xAxis"]
    assert axis["min"] * 1000 == from_rfc3339("2026-11-25T13:00:00Z")  # 12:00 UTC is 13:00 there


@pytest.mark.parametrize(("low", "high"), [(25.0, 25.01), (25.0, 25.0), (-3.0, 40.0)])
def test_the_scale_is_round_and_calm(low: float, high: float) -> None:
    axis = chart([bucket(0, low, (low + high) / 2, high)])["yAxis"]
    assert axis["min"] <= low
    assert axis["max"] >= high
    assert axis["max"] - axis["min"] >= 20 * 0.01 - 1e-9
    steps = (axis["max"] - axis["min"]) / axis["interval"]
    assert steps == pytest.approx(round(steps))
    assert 3 <= round(steps) <= 7


def test_a_switch_is_drawn_in_steps_from_0_to_1() -> None:
    drawn = chart([bucket(0, 0, 0.5, 1)], SWITCH)
    assert (drawn["yAxis"]["min"], drawn["yAxis"]["max"]) == (0, 1)
    assert drawn["series"][2]["step"] == "end"
