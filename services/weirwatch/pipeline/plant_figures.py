"""Figures that follow from the plant: its water, its levels, what drains back on a stop."""

from weirwatch.settings import PlantSettings, VesselSettings
from weirwatch.water.hydraulics import drain_back_l, weir_head_m


def volume_l(plant: PlantSettings) -> float:
    """Return the litres of the system when it runs; the reservoir is not part of it."""
    return sum(
        vessel.working_l if vessel.working_l is not None else vessel.volume_l
        for vessel in plant.vessels
        if vessel.role != "reservoir"
    )


def drain_back_total_l(plant: PlantSettings) -> float:
    """Return the litres that run to the sump when the return pump stops.

    Every vessel with a weir gives what stands over its crest at its share of the flow, and without
    a working siphon break what the outlet draws down. A vessel that loops feed gets their flow; the
    displays, and others that no loop feeds, share the rest by the lengths of their crests. The
    riser is taken as full in all its length. A head beyond the range of the weir equation is left
    at that range's end.
    """
    weirs = _weirs(plant)
    riser_m = max(plant.pump.pipe_m, plant.pump.static_head_m)
    pipe_l = 1000.0 * 0.785398 * plant.pump.pipe_d_m**2 * riser_m
    litres = pipe_l if weirs else 0.0
    for vessel in weirs:
        siphon = 0.0 if vessel.siphon_break else vessel.outlet_below_crest_m
        litres += drain_back_l(_usual_head_m(plant, vessel), vessel.area_m2, siphon)
    return litres


def usual_level_mm(plant: PlantSettings, vessel: VesselSettings) -> float | None:
    """Return the level above a vessel's floor with the pump running; None: it cannot be told.

    A vessel with a weir stands at its crest and the head of its share of the flow, the sump where
    the top-off keeps it or else at its working contents, a reservoir has no usual level.
    """
    if vessel.crest_m is not None and vessel.crest_length_m is not None:
        return 1000.0 * (vessel.crest_m + _usual_head_m(plant, vessel))
    if vessel.role != "sump":
        return None
    if plant.top_off is not None:
        return plant.top_off.set_level_mm
    return None if vessel.working_l is None else vessel.working_l / vessel.area_m2


def _weirs(plant: PlantSettings) -> list[VesselSettings]:
    return [vessel for vessel in plant.vessels if vessel.crest_length_m is not None]


def _usual_head_m(plant: PlantSettings, vessel: VesselSettings) -> float:
    fed_l_h = _fed_l_h(plant, vessel)
    if not _shares(plant, vessel):
        return _head_m(vessel, fed_l_h)
    rest_l_h = max(0.0, plant.pump.flow_l_h - sum(loop.flow_l_h for loop in plant.loops))
    crests = sum(v.crest_length_m or 0.0 for v in _weirs(plant) if _shares(plant, v)) or 1.0
    return _head_m(vessel, fed_l_h + rest_l_h * (vessel.crest_length_m or 0.0) / crests)


def _shares(plant: PlantSettings, vessel: VesselSettings) -> bool:
    """Return whether a vessel has its share of what the loops leave: the riser feeds it."""
    return vessel.role == "display" or not _fed_l_h(plant, vessel)


def _fed_l_h(plant: PlantSettings, vessel: VesselSettings) -> float:
    return sum(loop.flow_l_h for loop in plant.loops if loop.feeds == vessel.id)


def _head_m(vessel: VesselSettings, flow_l_h: float) -> float:
    crest = vessel.crest_length_m or 0.0
    try:
        return weir_head_m(flow_l_h / 3_600_000.0, crest)
    except ValueError:
        return crest / 3.0
