"""What may stand in `[plant]`: vessels, pump, loops, heaters, top-off and the room."""

from typing import Annotated, Literal

from pydantic import Field

from weirwatch.config.values import (
    AnyText,
    ChannelId,
    Name,
    NotNegative,
    Number,
    Positive,
    Section,
    Title,
)
from weirwatch.config.values import SystemId as SystemName
from weirwatch.settings import (
    ChillerSettings,
    HeaterSettings,
    LoopSettings,
    OutageSettings,
    PumpSettings,
    TopOffSettings,
    VesselSettings,
)


class PlantConfig(Section):
    """`[plant]`: what holds for all of the water."""

    system: SystemName | None = Field(None, examples=["harbour-hall"])
    room_degc: Annotated[float, Field(ge=-20, le=60)] = Field(22.0, examples=[22])
    loss_w_per_k: NotNegative = Field(60.0, examples=[60])
    evaporation_l_per_day: NotNegative = Field(0.0, examples=[20])
    salinity: Annotated[float, Field(ge=0, le=80)] = Field(35.0, examples=[35])
    without: list[AnyText] = Field(default_factory=list, examples=[["chiller-failed"]])


class VesselConfig(Section):
    """`[[plant.vessel]]`."""

    id: Name = Field(examples=["north"])
    title: Title = Field("", examples=["North display"])
    role: Literal["display", "refuge", "sump", "reservoir"] = Field(examples=["display"])
    volume_l: Positive = Field(examples=[1400])
    working_l: Positive | None = Field(None, examples=[300])
    area_m2: Positive = Field(examples=[2.0])
    height_m: Positive = Field(examples=[0.75])
    crest_m: Positive | None = Field(None, examples=[0.68])
    crest_length_m: Positive | None = Field(None, examples=[0.9])
    outlet_below_crest_m: NotNegative = Field(0.0, examples=[0.02])
    siphon_break: bool = Field(True, examples=[True])
    level_channel: ChannelId | None = Field(None, examples=["harbour-hall/sump-node/level"])

    def to_domain(self) -> VesselSettings:
        """Return the settings."""
        return VesselSettings(
            id=self.id,
            title=self.title or self.id.replace("-", " ").capitalize(),
            role=self.role,
            volume_l=self.volume_l,
            area_m2=self.area_m2,
            height_m=self.height_m,
            working_l=self.working_l,
            crest_m=self.crest_m,
            crest_length_m=self.crest_length_m,
            outlet_below_crest_m=self.outlet_below_crest_m,
            siphon_break=self.siphon_break,
            level_channel=self.level_channel or "",
        )


class PumpConfig(Section):
    """`[plant.pump]`: the return pump."""

    id: Name = Field("return-pump", examples=["return-pump"])
    flow_l_h: Positive = Field(examples=[6000])
    static_head_m: Positive = Field(examples=[2.0])
    shutoff_head_m: Positive = Field(examples=[5.0])
    pipe_m: NotNegative = Field(examples=[6])
    pipe_d_m: Positive = Field(examples=[0.0409])
    power_w: NotNegative = Field(examples=[85])

    def to_domain(self) -> PumpSettings:
        """Return the settings."""
        return PumpSettings(
            id=self.id,
            flow_l_h=self.flow_l_h,
            static_head_m=self.static_head_m,
            shutoff_head_m=self.shutoff_head_m,
            pipe_m=self.pipe_m,
            pipe_d_m=self.pipe_d_m,
            power_w=self.power_w,
        )


class LoopConfig(Section):
    """`[[plant.loop]]`: a side loop on the return manifold."""

    id: Name = Field(examples=["uv"])
    title: Title = Field("", examples=["UV unit"])
    feeds: Name = Field(examples=["sump"])
    flow_l_h: Positive = Field(examples=[800])

    def to_domain(self) -> LoopSettings:
        """Return the settings."""
        title = self.title or self.id.replace("-", " ").capitalize()
        return LoopSettings(id=self.id, title=title, feeds=self.feeds, flow_l_h=self.flow_l_h)


class HeaterConfig(Section):
    """`[[plant.heater]]`: a heater with its own thermostat."""

    id: Name = Field(examples=["heater-a"])
    vessel: Name = Field(examples=["sump"])
    power_w: Positive = Field(examples=[300])
    set_degc: Annotated[float, Field(ge=0, le=45)] = Field(examples=[25.5])
    hysteresis_k: Annotated[float, Field(gt=0, le=10)] = Field(0.4, examples=[0.4])

    def to_domain(self) -> HeaterSettings:
        """Return the settings."""
        return HeaterSettings(
            id=self.id,
            vessel=self.vessel,
            power_w=self.power_w,
            set_degc=self.set_degc,
            hysteresis_k=self.hysteresis_k,
        )


class ChillerConfig(Section):
    """`[plant.chiller]`: a chiller with its own thermostat, in a vessel or on a side loop."""

    id: Name = Field("chiller", examples=["chiller"])
    cooling_w: Positive = Field(examples=[600])
    set_degc: Annotated[float, Field(ge=0, le=45)] = Field(examples=[26.5])
    hysteresis_k: Annotated[float, Field(gt=0, le=10)] = Field(0.6, examples=[0.6])
    vessel: Name | None = Field(None, examples=["sump"])
    loop: Name | None = Field(None, examples=["uv"])
    electric_w: NotNegative = Field(0.0, examples=[250])

    def to_domain(self) -> ChillerSettings:
        """Return the settings."""
        return ChillerSettings(
            id=self.id,
            cooling_w=self.cooling_w,
            set_degc=self.set_degc,
            hysteresis_k=self.hysteresis_k,
            vessel=self.vessel or "",
            loop=self.loop or "",
            electric_w=self.electric_w,
        )


class TopOffConfig(Section):
    """`[plant.top_off]`: replacement of evaporated water."""

    reservoir: Name = Field(examples=["reservoir"])
    rate_l_h: Positive = Field(examples=[40])
    set_level_mm: Number = Field(examples=[250])
    hysteresis_mm: Positive = Field(3.0, examples=[3])

    def to_domain(self) -> TopOffSettings:
        """Return the settings."""
        return TopOffSettings(
            reservoir=self.reservoir,
            rate_l_h=self.rate_l_h,
            set_level_mm=self.set_level_mm,
            hysteresis_mm=self.hysteresis_mm,
        )


class OutageConfig(Section):
    """`[plant.outage]`: what an outage is reckoned with."""

    uptake_mg_l_h: Annotated[float, Field(gt=0, le=100)] = Field(1.0, examples=[1.0])
    oxygen_critical_mg_l: Annotated[float, Field(gt=0, le=20)] = Field(3.0, examples=[3.0])
    temperature_low_degc: Annotated[float, Field(ge=0, le=40)] = Field(22.0, examples=[22])
    battery_wh: NotNegative = Field(0.0, examples=[1200])
    battery_load_w: NotNegative = Field(0.0, examples=[60])

    def to_domain(self) -> OutageSettings:
        """Return the settings."""
        return OutageSettings(
            uptake_mg_l_h=self.uptake_mg_l_h,
            oxygen_critical_mg_l=self.oxygen_critical_mg_l,
            temperature_low_degc=self.temperature_low_degc,
            battery_wh=self.battery_wh,
            battery_load_w=self.battery_load_w,
        )
