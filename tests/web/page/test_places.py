from dataclasses import replace
from pathlib import Path

import pytest
from support.page_sight import MINUTE, NOW, hall, sight, standing
from support.page_world import LEVEL, PLANT, RETURN, settings

from weirwatch.domain.reading import Quality
from weirwatch.domain.rule import Priority
from weirwatch.ports import Newest
from weirwatch.web.page.marks import Mark
from weirwatch.web.page.places import ChannelWords, Place, places
from weirwatch.web.page.sight import Sight, fixture

TWIN = "harbour-hall/power-node/sump-level"


def shown(seen: Sight) -> dict[str, Place]:
    return {place.key: place for place in places(seen, hall(), NOW)}


def row(place: Place, channel: str) -> ChannelWords:
    return next(row for row in place.channels if row.channel == channel)


def test_vessels_in_the_order_of_the_flow_then_the_room() -> None:
    found = places(sight(), hall(), NOW)
    assert [place.title for place in found] == [
        "North", "South", "Refuge", "Sump", "Top-off reservoir", "Room and power",
    ]  # fmt: skip
    assert sum(len(place.channels) for place in found) == 26  # each channel once


def test_every_vessel_says_how_the_water_gets_there() -> None:
    legs = [place.leg for place in places(sight(), hall(), NOW)]
    assert legs[0].startswith("lifted by the return pump, 6")
    assert legs[1] == "beside it, from the same pump"
    assert legs[2] == "on its side loop, 700 L/h"
    assert legs[5] == ""


def test_labels_leave_out_the_vessel_and_are_told_apart_by_node() -> None:
    fixture = hall()
    same = {c.id: replace(c, title="Sump level") for c in fixture.channels.values()
            if c.id in (LEVEL, TWIN)}  # fmt: skip
    found = places(sight(), replace(fixture, channels={**fixture.channels, **same}), NOW)
    labels = {row.channel: row.label for place in found for row in place.channels}
    assert labels["harbour-hall/hall-node/north-temperature"] == "Temperature"
    assert labels[LEVEL] == "Level, sump-node"
    assert labels[TWIN] == "Level, power-node"


def test_fresh_and_good_needs_no_note() -> None:
    found = row(shown(sight())["sump"], LEVEL)
    assert (found.value, found.mark, found.note) == ("300\N{NO-BREAK SPACE}mm", None, "")
    assert found.age == "just now"


def test_marks_by_word() -> None:
    newest = {
        **sight().newest,
        LEVEL: Newest(NOW, 430.0, Quality.BAD, "outside its valid range"),
        RETURN: Newest(NOW - MINUTE, 6000.0, Quality.GOOD, ""),
    }
    del newest[TWIN]
    sump = shown(sight(newest=newest))["sump"]
    assert row(sump, LEVEL).mark is Mark.BAD
    assert row(sump, LEVEL).note == "bad: outside its valid range, just now"
    assert row(sump, RETURN).mark is Mark.SILENT  # silence comes before quality
    assert row(sump, RETURN).note == "silent, last 1 min ago"
    assert row(sump, TWIN).mark is Mark.NEVER
    assert row(sump, TWIN).value == "–"


def test_a_reading_that_waits_for_its_commit_is_not_silent() -> None:
    # Silent after 15 s; committed every 5 s, and the page looks once a second.
    late = shown(sight(age=22_000_000))["sump"]
    assert {row.mark for row in late.channels} == {None}
    assert {row.age for row in late.channels} == {"just now"}
    silent = shown(sight(age=24_000_000))["sump"]
    assert {row.mark for row in silent.channels} == {Mark.SILENT}


def test_on_a_fast_clock_the_wait_is_longer() -> None:
    fast = replace(hall(), lag=fixture(settings(Path()), lambda _: None, 30.0).lag)
    marks = [row.mark for place in places(sight(age=200_000_000), fast, NOW)
             for row in place.channels]  # fmt: skip
    assert set(marks) == {None}


def test_the_level_comes_from_the_twin_while_the_probe_is_silent() -> None:
    newest = {**sight().newest, LEVEL: Newest(NOW - MINUTE, 300.0, Quality.GOOD, "")}
    assert shown(sight(newest=newest))["sump"].level == 0.301
    assert shown(sight())["sump"].level == 0.3
    newest[TWIN] = newest[LEVEL]
    assert shown(sight(newest=newest))["sump"].level is None


def test_level_limits_are_marked() -> None:
    assert shown(sight())["sump"].limits == pytest.approx([0.345])


def test_an_alarm_marks_its_channel() -> None:
    sump = shown(sight(standing("return-flow-lost")))["sump"]
    assert row(sump, RETURN).alarm == (Priority.HIGH, "new")


def test_without_a_plant_channels_are_grouped_by_vessel() -> None:
    found = places(sight(), replace(hall(), plant=None), NOW)
    assert {place.title for place in found} == {
        "North", "South", "Refuge", "Sump", "Reservoir", "Room and power",
    }  # fmt: skip
    assert found[-1].title == "Room and power"
    assert all(place.vessel is None for place in found)


def test_a_channel_of_another_system_is_not_put_into_this_ones_vessels() -> None:
    fixture = hall()
    plant = replace(PLANT, system="elsewhere")
    found = places(sight(), replace(fixture, plant=plant), NOW)
    assert all(place.channels == () for place in found if place.vessel)
