"""From the plant of the configuration to the plant of the simulator."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from weirsim.gear import ChillerSpec, ReactorSpec
from weirsim.plant import (
    HeaterSpec,
    LoopSpec,
    PlantSpec,
    PumpSpec,
    TopOffSpec,
    VesselSpec,
)
from weirsim.stocking import Stocking
from weirwatch.settings import (
    ChillerSettings,
    HeaterSettings,
    LoopSettings,
    PlantSettings,
    PumpSettings,
    TopOffSettings,
    VesselSettings,
)


def to_plant_spec(plant: PlantSettings) -> PlantSpec:
    """Return the simulator's description of a configured plant.

    What the configuration does not say (lights, circulation pumps, fittings of the riser, the
    room's day) has the defaults of `weirsim.plant`.

    Raises:
        ValueError: a plant that cannot run; the message says what to change.
    """
    return PlantSpec(
        system=plant.system,
        vessels=tuple(_vessel(vessel) for vessel in plant.vessels),
        pump=_pump(plant.pump),
        loops=tuple(_loop(loop) for loop in plant.loops),
        heaters=tuple(_heater(heater) for heater in plant.heaters),
        top_off=_top_off(plant.top_off) if plant.top_off else None,
        room_degc=plant.room_degc,
        loss_w_per_k=plant.loss_w_per_k,
        evaporation_l_per_day=plant.evaporation_l_per_day,
        salinity=plant.salinity,
        chiller=None if plant.chiller is None else _chiller(plant.chiller),
        stocking=replace(Stocking(), **plant.stocking),
        reactor=_reactor(plant),
    )


def _vessel(vessel: VesselSettings) -> VesselSpec:
    return VesselSpec(
        id=vessel.id,
        role=vessel.role,
        volume_l=vessel.volume_l,
        area_m2=vessel.area_m2,
        height_m=vessel.height_m,
        working_l=vessel.working_l,
        crest_m=vessel.crest_m,
        crest_length_m=vessel.crest_length_m,
        outlet_below_crest_m=vessel.outlet_below_crest_m,
        siphon_break=vessel.siphon_break,
    )


def _pump(pump: PumpSettings) -> PumpSpec:
    return PumpSpec(
        id=pump.id,
        flow_l_h=pump.flow_l_h,
        static_head_m=pump.static_head_m,
        shutoff_head_m=pump.shutoff_head_m,
        pipe_m=pump.pipe_m,
        pipe_d_m=pump.pipe_d_m,
        power_w=pump.power_w,
    )


def _loop(loop: LoopSettings) -> LoopSpec:
    return LoopSpec(id=loop.id, feeds=loop.feeds, flow_l_h=loop.flow_l_h)


def _heater(heater: HeaterSettings) -> HeaterSpec:
    return HeaterSpec(
        id=heater.id,
        vessel=heater.vessel,
        power_w=heater.power_w,
        set_degc=heater.set_degc,
        hysteresis_k=heater.hysteresis_k,
    )


def _chiller(chiller: ChillerSettings) -> ChillerSpec:
    return ChillerSpec(
        id=chiller.id,
        cooling_w=chiller.cooling_w,
        set_degc=chiller.set_degc,
        hysteresis_k=chiller.hysteresis_k,
        vessel=chiller.vessel,
        loop=chiller.loop,
        electric_w=chiller.electric_w,
    )


def _reactor(plant: PlantSettings) -> ReactorSpec:
    figures: Mapping[str, Any] = plant.reactor  # all but the loop
    return replace(ReactorSpec(loop=plant.reactor_loop), **figures)


def _top_off(top_off: TopOffSettings) -> TopOffSpec:
    return TopOffSpec(
        reservoir=top_off.reservoir,
        rate_l_h=top_off.rate_l_h,
        set_level_mm=top_off.set_level_mm,
        hysteresis_mm=top_off.hysteresis_mm,
    )
