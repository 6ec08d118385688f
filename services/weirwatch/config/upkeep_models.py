"""What may stand in the configuration file about upkeep: recurring jobs, and what runs out."""

from typing import Annotated

from pydantic import Field

from weirwatch.config.values import (
    AnyText,
    ChannelId,
    Name,
    Number,
    Positive,
    Section,
    Title,
    Words,
)
from weirwatch.config.values import SystemId as SystemName
from weirwatch.settings import JobSettings, SupplySettings

_DAYS = Annotated[float, Field(gt=0, le=3660)]


class JobConfig(Section):
    """`[[job]]`: something to be done again and again."""

    id: Name = Field(examples=["return-pump-cleaning"])
    title: Title = Field("", examples=["Clean the return pump"])
    system: SystemName | None = Field(None, examples=["harbour-hall"])
    every_days: _DAYS = Field(examples=[90])
    remind_days: Annotated[float, Field(ge=0, le=366)] = Field(7.0, examples=[7])
    where: Title = Field("", examples=["Sump cabinet; its breaker is number 4"])
    instructions: Words = Field("", examples=["Power off first. Soak the rotor in vinegar."])

    def to_domain(self, system: str) -> JobSettings:
        """Return the settings; `system` is taken where none is named."""
        return JobSettings(
            id=self.id,
            title=self.title or _readable(self.id),
            system=self.system or system,
            every_days=self.every_days,
            remind_days=self.remind_days,
            where=self.where,
            instructions=self.instructions,
        )


class SupplyConfig(Section):
    """`[[supply]]`: something that is used up and must be ordered or filled in time."""

    id: Name = Field(examples=["gas-bottle"])
    title: Title = Field("", examples=["Gas bottle of the reactor"])
    system: SystemName | None = Field(None, examples=["harbour-hall"])
    unit: Annotated[str, Field(min_length=1, max_length=40)] = Field(examples=["kg"])
    size: Positive | None = Field(None, examples=[6])
    lead_days: Annotated[float, Field(ge=0, le=366)] = Field(14.0, examples=[14])
    count_error: Positive | None = Field(None, examples=[0.1])
    channel: ChannelId | None = Field(None, examples=["harbour-hall/hall-node/reservoir-level"])
    empty_at: Number = Field(0.0, examples=[20])
    per_unit: Positive = Field(1.0, examples=[0.2])
    dose: AnyText | None = Field(None, examples=["sodium-carbonate"])
    strength_g_l: Positive | None = Field(None, examples=[80])
    where: Title = Field("", examples=["Shelf behind the door"])

    def to_domain(self, system: str) -> SupplySettings:
        """Return the settings; `system` is taken where none is named."""
        return SupplySettings(
            id=self.id,
            title=self.title or _readable(self.id),
            system=self.system or system,
            unit=self.unit,
            size=self.size,
            lead_days=self.lead_days,
            count_error=self.count_error,
            channel=self.channel or "",
            empty_at=self.empty_at,
            per_unit=self.per_unit,
            dose=self.dose or "",
            strength_g_l=self.strength_g_l,
            where=self.where,
        )


def _readable(name: str) -> str:
    return name.replace("-", " ").replace("_", " ").capitalize()
