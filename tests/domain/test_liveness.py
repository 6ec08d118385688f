"""Quality and its reason: one home, one order, every doubt."""

from dataclasses import replace
from typing import Any

import pytest

from weirwatch.domain.instant import SECOND, micros
from weirwatch.domain.liveness import (
    CLOCK_UNTRUSTED,
    FROZEN,
    IN_CALIBRATION,
    OUTSIDE_VALID,
    RETAINED,
    TOO_FAST,
    WARM_UP,
    judge,
)
from weirwatch.domain.reading import Channel, Quality, Reading
from weirwatch.domain.state import Observed

PROBE = Channel(
    "hall/node/ph",
    "ph",
    valid=(4.0, 10.0),
    resolution=0.01,
    warm_up=60 * SECOND,
    max_change_per_s=0.01,
    frozen_after=600 * SECOND,
)


def before(value: float = 8.0, *, good: float | None = 0.0, since: float = 0.0) -> Observed:
    """The reading at 0 s; `good`: when the newest good one was; `since`: the same since then."""
    good_time = None if good is None else micros(good)
    good_value = None if good is None else value
    at = micros(0)
    return Observed(at, value, Quality.GOOD, "", at, good_time, good_value, micros(since))


def said(value: float, second: float = 10.0, **more: Any) -> tuple[Quality, str]:
    reading = Reading(PROBE.id, micros(second), value)
    judged = judge(PROBE, reading, **more)
    assert judged[:3] == reading[:3]
    return judged.quality, judged.reason


GOOD = (Quality.GOOD, "")


def test_nothing_odd_is_good() -> None:
    assert said(8.0) == GOOD
    assert said(8.05, before=before()) == GOOD


@pytest.mark.parametrize(
    ("value", "bad"), [(3.99, True), (4.0, False), (10.0, False), (10.1, True)]
)
def test_an_impossible_value_is_bad_whatever_else(value: float, bad: bool) -> None:
    assert said(value) == ((Quality.BAD, OUTSIDE_VALID) if bad else GOOD)
    if bad:
        assert said(value, calibrating=True, time_doubted=True) == (Quality.BAD, OUTSIDE_VALID)


def test_what_the_wire_doubts_stays_doubted_for_its_reason() -> None:
    kept = Reading(PROBE.id, 0, 8.0, Quality.UNCERTAIN, RETAINED)
    assert judge(PROBE, kept, calibrating=True, time_doubted=True) == kept
    outside = judge(PROBE, kept._replace(value=11.0))
    assert (outside.quality, outside.reason) == (Quality.BAD, OUTSIDE_VALID)


def test_warming_up_ends_with_its_span() -> None:
    power = micros(100)
    assert said(8.0, 99.9, powered_since=power) == GOOD  # from before the node lost its power
    assert said(8.0, 100, powered_since=power) == (Quality.UNCERTAIN, WARM_UP)
    assert said(8.0, 159.9, powered_since=power) == (Quality.UNCERTAIN, WARM_UP)
    assert said(8.0, 160, powered_since=power) == GOOD
    steady = Channel(PROBE.id, "ph")
    assert judge(steady, Reading(PROBE.id, power, 8.0), powered_since=power).reason == ""


@pytest.mark.parametrize(
    ("value", "second", "reason"),
    [
        (8.1, 10, ""),  # 0.01 a second for 10 s, and one step of the probe
        (8.12, 10, TOO_FAST),
        (7.9, 10, ""),
        (7.88, 10, TOO_FAST),
        (9.0, 99, ""),  # a true step is believed once there was time for it
        (9.0, 98, TOO_FAST),
    ],
)
def test_no_more_change_is_believed_than_there_was_time_for(
    value: float, second: float, reason: str
) -> None:
    assert said(value, second, before=before())[1] == reason


def test_a_spike_does_not_make_the_next_reading_odd() -> None:
    spike = before()._replace(time=micros(5), value=9.5, quality=Quality.UNCERTAIN)
    assert said(8.01, 10, before=spike) == GOOD


def test_a_step_is_told_against_a_good_reading_before_it_only() -> None:
    assert said(9.9, 10, before=before(good=None)) == GOOD
    assert said(9.9, 10, before=before(good=10)) == GOOD  # history
    assert said(9.9, 10, before=before(good=9.9)) == (Quality.UNCERTAIN, TOO_FAST)


def test_the_same_value_for_too_long_is_frozen() -> None:
    assert said(8.0, 599.9, before=before()) == GOOD
    assert said(8.0, 600, before=before()) == (Quality.UNCERTAIN, FROZEN)
    assert said(8.0, 600, before=before(since=0.1)) == GOOD
    assert said(8.01, 600, before=before()) == GOOD


def test_the_same_value_before_and_after_a_silence_is_not_frozen() -> None:
    spoken = replace(PROBE, silent_after=micros(15))
    heard = before()._replace(time=micros(590))
    for second, told in ((605, FROZEN), (606, ""), (4000, "")):
        reading = Reading(PROBE.id, micros(second), 8.0)
        assert judge(spoken, reading, before=heard).reason == told


def test_the_first_doubt_is_told() -> None:
    odd: dict[str, Any] = {"before": before()}
    for more, reason in (
        ({}, TOO_FAST),
        ({"powered_since": 0}, WARM_UP),
        ({"calibrating": True}, IN_CALIBRATION),
        ({"time_doubted": True}, CLOCK_UNTRUSTED),
    ):
        odd |= more
        assert said(9.9, 10, **odd) == (Quality.UNCERTAIN, reason)


def test_a_channel_that_sets_no_bounds_is_believed() -> None:
    plain = Channel(PROBE.id, "ph")
    assert judge(plain, Reading(PROBE.id, micros(900), 99.0), before=before()).reason == ""
    assert judge(plain, Reading(PROBE.id, micros(900), 8.0), before=before()).reason == ""
