"""What may stand in a `[[derived]]`: a channel that is computed from others."""

from typing import Annotated

from pydantic import Field

from weirwatch.config.models import ChannelConfig, HourlyYears, RawDays
from weirwatch.config.values import ChannelId, Name, Number, Positive, Section, Span, Title
from weirwatch.domain.instant import micros
from weirwatch.pipeline.formulas import FORMULAS
from weirwatch.settings import DerivedSettings

_SPANS_STALE = 5.0  # an input is stale after so many spans between two readings, and
_STALE_AT_LEAST_S = 300.0  # never sooner than this


class DerivedConfig(Section):
    """`[[derived]]`."""

    id: ChannelId = Field(examples=["harbour-hall/sump-node/salinity"])
    formula: Name = Field(examples=["salinity"])
    inputs: dict[Name, ChannelId] = Field(
        examples=[{"conductivity": "harbour-hall/sump-node/conductivity"}]
    )
    constants: dict[Name, Number] = Field(
        default_factory=dict, examples=[{"compensation_per_k": 0.02}]
    )
    every_s: Span = Field(60.0, examples=[60])
    max_age_s: Span | None = Field(None, examples=[300])
    title: Title = Field("", examples=["Salinity"])
    vessel: Annotated[str, Field(max_length=64)] = Field("", examples=["sump"])
    valid: Annotated[list[Number], Field(min_length=2, max_length=2)] | None = Field(
        None, examples=[[20, 45]]
    )
    resolution: Positive | None = Field(None, examples=[0.1])
    raw_days: RawDays | None = Field(None, examples=[60])
    hourly_years: HourlyYears | None = Field(None, examples=[20])

    def channel(self, lead: ChannelConfig | None) -> ChannelConfig:
        """Return it as a channel; it reports as often as the input that leads, or as `every_s`."""
        formula = FORMULAS.get(self.formula)
        every = None if lead is None else lead.expected_every_s
        return ChannelConfig(
            id=self.id,
            quantity=formula.quantity if formula else "derived",
            unit=formula.unit if formula else "",
            title=self.title,
            vessel=self.vessel,
            expected_every_s=None if every is None else max(every, self.every_s),
            silent_after_s=None,
            warm_up_s=0.0,
            states=None,
            calibrate_every_days=None,
            prove_every_days=None,
            valid=self.valid,
            resolution=self.resolution,
            max_change_per_s=None,
            frozen_after_s=None,
            raw_days=self.raw_days,
            hourly_years=self.hourly_years,
        )

    def to_domain(self, constants: dict[str, float]) -> DerivedSettings:
        """Return the settings; `constants` are all of the formula's."""
        oldest = self.max_age_s or max(_STALE_AT_LEAST_S, _SPANS_STALE * self.every_s)
        return DerivedSettings(
            channel=self.id,
            formula=self.formula,
            inputs=dict(self.inputs),
            constants=constants,
            every=micros(self.every_s),
            max_age=micros(oldest),
        )
