import re
from xml.etree import ElementTree

import pytest
from support.page_world import PLANT

from weirwatch.domain.rule import Priority
from weirwatch.settings import VesselSettings
from weirwatch.web.page.drawing import alarm_svg, mark_svg, vessel_svg, width_m
from weirwatch.web.page.marks import Mark

NORTH, _, _, SUMP, _ = PLANT.vessels
WIDEST = max(width_m(vessel) for vessel in PLANT.vessels)


def water(svg: str) -> ElementTree.Element | None:
    return ElementTree.fromstring(svg).find("rect[@class='ww-water']")


def test_levels_and_vessels_are_to_one_scale() -> None:
    north = water(vessel_svg(NORTH, WIDEST, 1.0, ()))
    sump = water(vessel_svg(SUMP, WIDEST, 0.3, ()))
    assert north is not None
    assert sump is not None
    assert float(north.attrib["height"]) / float(sump.attrib["height"]) == pytest.approx(1.0 / 0.3)
    # A square plan: as wide as the root of the water surface, 1 m for the sump's 1 m².
    assert float(sump.attrib["width"]) == pytest.approx(
        float(sump.attrib["height"]) / 0.3, rel=1e-3
    )


def test_water_never_leaves_its_vessel() -> None:
    full = water(vessel_svg(SUMP, WIDEST, 9.9, ()))
    dry = water(vessel_svg(SUMP, WIDEST, -1.0, ()))
    assert full is not None
    assert dry is not None
    assert float(full.attrib["height"]) == pytest.approx(42.0)
    assert float(dry.attrib["height"]) == 0.0


def test_an_unknown_level_is_a_question_mark_not_an_empty_vessel() -> None:
    svg = vessel_svg(SUMP, WIDEST, None, ())
    assert water(svg) is None
    assert ">?<" in svg
    assert "level not known" in svg


def test_an_unmeasured_level_is_dashed() -> None:
    svg = vessel_svg(VesselSettings("frag", "Frag", "display", 90, 0.3, 0.4), WIDEST, None, ())
    assert "ww-assumed" in svg
    assert ">?<" not in svg


def test_titles_cannot_break_out() -> None:
    vessel = VesselSettings("x", '"><script>', "sump", 90, 0.3, 0.4, level_channel="a/b/c")
    svg = vessel_svg(vessel, 1.0, 0.2, (0.3,))
    ElementTree.fromstring(svg)
    assert "<script" not in svg


def test_priorities_differ_in_outline_not_only_in_colour() -> None:
    outlines = {
        re.findall(r'ww-outline" d="([^"]+)"', alarm_svg(priority, "new"))[0]
        for priority in Priority
    }
    assert len(outlines) == len(Priority)


def test_marks_differ_in_shape() -> None:
    assert len({mark_svg(mark) for mark in Mark}) == len(Mark)
