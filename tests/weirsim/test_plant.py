from dataclasses import replace
from typing import Any

import pytest

from weirsim.gear import ChillerSpec
from weirsim.harbour_hall import SPEC
from weirsim.model import Plant
from weirsim.plant import HeaterSpec, LoopSpec, TopOffSpec, VesselSpec


def without(role: str) -> tuple[VesselSpec, ...]:
    return tuple(vessel for vessel in SPEC.vessels if vessel.role != role)


def changed(vessel_id: str, **changes: Any) -> tuple[VesselSpec, ...]:
    return tuple(replace(v, **changes) if v.id == vessel_id else v for v in SPEC.vessels)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"vessels": without("sump")}, "exactly one vessel with role 'sump'"),
        ({"vessels": (SPEC.sump,), "loops": ()}, "at least one vessel with role 'display'"),
        ({"vessels": (*SPEC.vessels, SPEC.vessels[0])}, "two vessels have the same id"),
        ({"salinity": 1.0}, "salinity 1 is outside 2 to 42"),
        ({"vessels": changed("north", area_m2=0.0)}, "vessel north: .* above 0"),
        ({"vessels": changed("north", crest_m=None)}, "vessel north: give crest_m"),
        ({"vessels": changed("north", crest_m=1.3)}, "vessel north: crest_m must be below"),
        ({"vessels": changed("sump", working_l=None)}, "vessel sump: working_l"),
        ({"vessels": changed("sump", working_l=420.0)}, "vessel sump: working_l"),
        ({"pump": replace(SPEC.pump, pipe_d_m=0.0)}, "pump return: .* above 0"),
        ({"pump": replace(SPEC.pump, flow_l_h=1760.0)}, "leave nothing for the displays"),
        ({"loops": (LoopSpec("uv", "sump", 0.0),)}, "flow_l_h above 0"),
        ({"loops": (LoopSpec("uv", "pond", 5.0),)}, "no vessel 'pond'; it has north, south"),
        ({"loops": (LoopSpec("uv", "reservoir", 5.0),)}, "cannot feed the reservoir"),
        ({"heaters": (HeaterSpec("h", "reservoir", 9.0, 25.0, 1.0),)}, "cannot stand in"),
        ({"top_off": TopOffSpec("north", 30.0, 300.0, 3.0)}, "north is not a reservoir"),
        ({"vessels": changed("sump", working_l=70.0)}, "70 mm high .* draws air below 80 mm"),
        ({"top_off": TopOffSpec("reservoir", 30.0, 419.0, 3.0)}, "between 417.5 and 420.5 mm"),
        ({"top_off": TopOffSpec("reservoir", 30.0, 80.0, 3.0)}, "80 mm, where the return pump"),
    ],
)
def test_a_plant_that_cannot_work_is_refused_with_what_to_change(
    changes: dict[str, Any], says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        replace(SPEC, **changes)


def test_the_water_is_kept_at_its_heaters_temperature_else_at_the_start_s_or_room_s() -> None:
    assert SPEC.warm_degc == 25.5
    assert replace(SPEC, heaters=(), start_degc=20.0).warm_degc == 20.0
    assert replace(SPEC, heaters=()).warm_degc == 22.0
    chilled = replace(SPEC, heaters=(), chiller=ChillerSpec("c", 600.0, 14.0, 0.6, "sump"))
    assert chilled.warm_degc == 14.0
    assert replace(chilled, room_degc=10.0).warm_degc == 10.0


def test_a_display_whose_weir_cannot_carry_its_flow_is_refused() -> None:
    """North has 3.4 mm of room above a crest that takes 9.3 mm of its share, after Francis."""
    with pytest.raises(ValueError, match="vessel north: 2581 L/h stand 9 mm above its crest"):
        Plant(replace(SPEC, vessels=changed("north", height_m=1.1608)), 0)


def test_roles_are_found() -> None:
    assert SPEC.sump.id == "sump"
    assert [vessel.id for vessel in SPEC.displays] == ["north", "south"]
    assert SPEC.vessel("refuge").role == "refuge"
