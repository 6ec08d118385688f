"""What may stand in the configuration file about planned work."""

from typing import Annotated

from pydantic import Field

from weirwatch.config.values import AnyText, ChannelId, Name, Number, Seconds, Section, Title
from weirwatch.domain.planned_work import Check
from weirwatch.domain.rule import ChannelBeyond, ChannelIs, Side

_DAY_MINUTES = 24 * 60


class CheckConfig(Section):
    """One entry of `check`: what holds when all is back to normal."""

    channel: ChannelId = Field(examples=["harbour-hall/sump-node/return-flow"])
    is_: bool | None = Field(None, alias="is", examples=[True])
    above: Number | None = Field(None, examples=[5000])
    below: Number | None = Field(None, examples=[310])

    def to_domain(self) -> Check:
        """Return the check; the entry has been checked to hold exactly one."""
        if self.is_ is not None:
            return ChannelIs(self.channel, self.is_)
        if self.above is not None:
            return ChannelBeyond(self.channel, Side.HIGH, self.above)
        return ChannelBeyond(self.channel, Side.LOW, self.below or 0.0)


class PlannedWorkConfig(Section):
    """`[[planned_work]]`: a named set of alarms that is kept quiet together for a while."""

    id: Name = Field(examples=["feeding-pause"])
    title: Title = Field("", examples=["Feeding pause"])
    minutes: Annotated[float, Field(gt=0, le=_DAY_MINUTES)] = Field(examples=[10])
    rules: Annotated[list[AnyText], Field(min_length=1)] = Field(
        examples=[["return-pump-stopped", "sump-high"]]
    )
    calibrates: list[ChannelId] = Field(
        default_factory=list, examples=[["harbour-hall/sump-node/ph"]]
    )
    check: list[CheckConfig] = Field(default_factory=list, examples=[[]])
    settle_s: Seconds = Field(120.0, examples=[120])
