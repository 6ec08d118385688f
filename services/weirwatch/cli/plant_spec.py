"""From the plant of the configuration to the plant of the simulator."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from weirsim.gear import ChillerSpec, DoserSpec, ReactorSpec
from weirsim.plant import (
    HeaterSpec,
    LoopSpec,
    PlantSpec,
    PowerSpec,
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
    TopOffSettings,
    VesselSettings,
)

_INTAKE_SHARE = 0.4  # of the sump's working level: in a shallow one the intake lies lower
_USUAL_L = 2860.0  # Harbour Hall's water, for which the defaults of the simulator are made


def to_plant_spec(plant: PlantSettings) -> PlantSpec:
    """Return the simulator's description of a configured plant.

    What the configuration does not say (lights, fittings of the riser, the room's day) has the
    defaults of `weirsim.plant`; circulation pumps, skimmer and doser are as large for the water
    as Harbour Hall's.

    Raises:
        ValueError: a plant that cannot run; the message says what to change.
    """
    return PlantSpec(
        system=plant.system,
        vessels=tuple(_vessel(vessel) for vessel in plant.vessels),
        pump=_pump(plant),
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
        power=_power(plant),
        doser=replace(DoserSpec(), rate_l_h=_to_size(plant, DoserSpec().rate_l_h)),
    )


def _power(plant: PlantSettings) -> PowerSpec:
    usual = PowerSpec()
    return replace(
        usual,
        circulation_w=_to_size(plant, usual.circulation_w),
        skimmer_l_h=_to_size(plant, usual.skimmer_l_h),
        skimmer_w=_to_size(plant, usual.skimmer_w),
    )


def _to_size(plant: PlantSettings, usual: float) -> float:
    """Return a figure of Harbour Hall's for as much water as this plant has."""
    wet = (vessel for vessel in plant.vessels if vessel.role != "reservoir")
    return usual * sum(vessel.working_l or vessel.volume_l for vessel in wet) / _USUAL_L


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


def _pump(plant: PlantSettings) -> PumpSpec:
    pump = plant.pump
    sump = next(vessel for vessel in plant.vessels if vessel.role == "sump")
    working_m = (sump.working_l or 0.0) / 1000.0 / sump.area_m2
    spec = PumpSpec(
        id=pump.id,
        flow_l_h=pump.flow_l_h,
        static_head_m=pump.static_head_m,
        shutoff_head_m=pump.shutoff_head_m,
        pipe_m=pump.pipe_m,
        pipe_d_m=pump.pipe_d_m,
        power_w=pump.power_w,
    )
    return replace(spec, intake_m=min(spec.intake_m, _INTAKE_SHARE * working_m))


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
