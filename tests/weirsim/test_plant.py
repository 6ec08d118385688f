from dataclasses import replace
from typing import Any

import pytest

from weirsim.harbour_hall import SPEC
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


def test_roles_are_found() -> None:
    assert SPEC.sump.id == "sump"
    assert [vessel.id for vessel in SPEC.displays] == ["north", "south"]
    assert SPEC.vessel("refuge").role == "refuge"
