"""What may stand in a `[[rule]]`: the keys that every rule has, and those of each kind."""

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field

from weirwatch.config.values import (
    AnyText,
    ChannelId,
    ClockTime,
    Name,
    NotNegative,
    Number,
    Positive,
    Seconds,
    Section,
    SetValueOrChannel,
    Span,
    Title,
    Words,
    parse_clock,
)
from weirwatch.domain import rule as domain
from weirwatch.domain.instant import Micros, micros

_RE_ALARM_CRITICAL_S = 14_400.0
_SHELVE_MAX_MINUTES = 720.0

Priority = Literal["low", "medium", "high", "critical"]


def re_alarm_after(priority: domain.Priority, given_s: float | None) -> Micros:
    """Return the re-alarm span: as given, else four hours for critical and never otherwise."""
    if given_s is not None:
        return micros(given_s)
    return micros(_RE_ALARM_CRITICAL_S) if priority is domain.Priority.CRITICAL else 0


class WhileConfig(Section):
    """One entry of `while`: a channel's state or level, another alarm, or a time of day."""

    channel: ChannelId | None = Field(None, examples=["harbour-hall/power-node/mains"])
    is_: bool | None = Field(None, alias="is", examples=[True])
    above: Number | None = Field(None, examples=[100])
    below: Number | None = Field(None, examples=[100])
    alarm: AnyText | None = Field(None, examples=["mains-lost"])
    between: Annotated[list[ClockTime], Field(min_length=2, max_length=2)] | None = Field(
        None, examples=[["08:00", "20:00"]]
    )

    def to_domain(self) -> domain.While:
        """Return the condition; the entry has been checked to hold exactly one."""
        if self.alarm is not None:
            return domain.AlarmStands(self.alarm)
        if self.between is not None:
            return domain.Between(parse_clock(self.between[0]), parse_clock(self.between[1]))
        channel = self.channel or ""
        if self.is_ is not None:
            return domain.ChannelIs(channel, self.is_)
        if self.above is not None:
            return domain.ChannelBeyond(channel, domain.Side.HIGH, self.above)
        return domain.ChannelBeyond(channel, domain.Side.LOW, self.below or 0.0)


class CommonConfig(Section):
    """The keys that rules of every kind may have."""

    id: AnyText = Field(examples=["sump-level-high"])
    kind: str = Field(examples=["absolute"])
    title: Title = Field("", examples=["Sump level high"])
    while_: list[WhileConfig] = Field(default_factory=list, alias="while", examples=[[]])
    on_delay_s: Seconds = Field(0.0, examples=[30])
    off_delay_s: Seconds = Field(0.0, examples=[60])
    latching: bool = Field(False, examples=[False])
    re_alarm_s: Seconds | None = Field(None, examples=[14_400])
    priority: Priority | None = Field(None, examples=["high"])
    response: Words = Field("", examples=["Look at the sump camera."])
    suppressed_by: list[AnyText] = Field(default_factory=list, examples=[["mains-lost"]])
    hold_off_s: Seconds = Field(0.0, examples=[120])
    shelve_max_minutes: Annotated[float, Field(gt=0, le=10_080)] = Field(
        _SHELVE_MAX_MINUTES, examples=[720]
    )
    first_out: Name | None = Field(None, examples=["restart"])


class RuleConfig(CommonConfig):
    """`[[rule]]` of a kind that watches a channel."""

    id: Name = Field(examples=["sump-level-high"])
    channel: ChannelId = Field(examples=["harbour-hall/sump-node/level"])
    failure: AnyText | None = Field(None, examples=["sump-high"])

    def condition(self) -> domain.Condition:
        """Return the condition; the kind's own keys have been checked."""
        raise NotImplementedError

    def delay_s(self, silent_s: float | None) -> float:  # noqa: ARG002 - for silence only
        """Return how long after its cause the alarm sounds at the earliest, in seconds.

        Args:
            silent_s: seconds after which the rule's channel counts as silent.
        """
        return self.on_delay_s

    def to_domain(self, failure: str, *, bold: bool) -> domain.Rule:
        """Return the rule for a failure of the catalogue."""
        priority = domain.Priority(self.priority or ("critical" if bold else "medium"))
        return domain.Rule(
            id=self.id,
            title=self.title or self.id.replace("-", " ").replace("_", " ").capitalize(),
            kind=self.kind,
            condition=self.condition(),
            failure=failure,
            channel=self.channel,
            while_=tuple(entry.to_domain() for entry in self.while_),
            on_delay=micros(self.on_delay_s),
            off_delay=micros(self.off_delay_s),
            latching=self.latching,
            re_alarm=re_alarm_after(priority, self.re_alarm_s),
            priority=priority,
            response=self.response,
            suppressed_by=tuple(dict.fromkeys(self.suppressed_by)),
            hold_off=micros(self.hold_off_s),
            shelve_max=micros(self.shelve_max_minutes * 60),
            first_out=self.first_out,
            bold=bold,
        )


class AbsoluteConfig(RuleConfig):
    """`kind = "absolute"`: a value beyond a limit, or a switch in its abnormal state."""

    kind: Literal["absolute"]
    high: Number | None = Field(None, examples=[310])
    low: Number | None = Field(None, examples=[120])
    is_: bool | None = Field(None, alias="is", examples=[True])
    deadband: NotNegative = Field(0.0, examples=[10])

    def condition(self) -> domain.Absolute | domain.SwitchIs:
        """Return the condition."""
        if self.is_ is not None:
            return domain.SwitchIs(self.is_)
        if self.high is not None:
            return domain.Absolute(domain.Side.HIGH, self.high, self.deadband)
        return domain.Absolute(domain.Side.LOW, self.low or 0.0, self.deadband)


class DeviationConfig(RuleConfig):
    """`kind = "deviation"`: too far from a set value or from a twin channel."""

    kind: Literal["deviation"]
    from_: SetValueOrChannel = Field(alias="from", examples=[8.2])
    limit: Positive = Field(examples=[0.3])
    deadband: NotNegative = Field(0.0, examples=[0.05])

    def condition(self) -> domain.Deviation:
        """Return the condition."""
        if isinstance(self.from_, str):
            return domain.Deviation(self.limit, self.deadband, twin=self.from_)
        return domain.Deviation(self.limit, self.deadband, set_value=self.from_)


class RateOfChangeConfig(RuleConfig):
    """`kind = "rate-of-change"`: a rise or fall per window, by robust slope."""

    kind: Literal["rate-of-change"]
    rise: Positive | None = Field(None, examples=[0.5])
    fall: Positive | None = Field(None, examples=[0.5])
    window_s: Span = Field(examples=[3600])
    deadband: NotNegative = Field(0.0, examples=[0.1])

    def condition(self) -> domain.RateOfChange:
        """Return the condition."""
        return domain.RateOfChange(micros(self.window_s), self.rise, self.fall, self.deadband)


class DiscrepancyConfig(RuleConfig):
    """`kind = "discrepancy"`: a state expected but not seen within a time."""

    kind: Literal["discrepancy"]
    expected: bool | None = Field(None, examples=[True])
    expected_min: Number | None = Field(None, examples=[3000])
    expected_max: Number | None = Field(None, examples=[6500])
    within_s: Seconds = Field(examples=[60])
    deadband: NotNegative = Field(0.0, examples=[100])

    def condition(self) -> domain.Discrepancy:
        """Return the condition."""
        return domain.Discrepancy(
            within=micros(self.within_s),
            expected=self.expected,
            minimum=self.expected_min,
            maximum=self.expected_max,
            deadband=self.deadband,
        )

    def delay_s(self, silent_s: float | None) -> float:  # noqa: ARG002
        """Return how long after its cause the alarm sounds at the earliest, in seconds."""
        return self.within_s + self.on_delay_s


class BadMeasurementConfig(RuleConfig):
    """`kind = "bad-measurement"`: a probe that is silent, frozen or beyond belief."""

    kind: Literal["bad-measurement"]
    silent: bool = Field(False, examples=[True])
    frozen_s: Span | None = Field(None, examples=[3600])
    outside_valid: bool = Field(False, examples=[True])

    def condition(self) -> domain.BadMeasurement:
        """Return the condition."""
        frozen = None if self.frozen_s is None else micros(self.frozen_s)
        return domain.BadMeasurement(self.silent, frozen, self.outside_valid)

    def delay_s(self, silent_s: float | None) -> float:
        """Return how long after its cause the alarm sounds at the earliest, in seconds."""
        ways = [0.0] if self.outside_valid else []
        if self.silent:
            ways.append(silent_s or 0.0)
        if self.frozen_s is not None:
            ways.append(self.frozen_s)
        return min(ways, default=0.0) + self.on_delay_s


class DutyConfig(RuleConfig):
    """`kind = "duty"`: a switch on for too long or started too often."""

    kind: Literal["duty"]
    on_for_s: Span | None = Field(None, examples=[1800])
    starts: Annotated[int, Field(ge=1, le=100_000)] | None = Field(None, examples=[20])
    window_s: Span = Field(examples=[3600])

    def condition(self) -> domain.Duty:
        """Return the condition."""
        on_for = None if self.on_for_s is None else micros(self.on_for_s)
        return domain.Duty(micros(self.window_s), on_for, self.starts)


class ForecastConfig(RuleConfig):
    """`kind = "forecast"`: a trend that reaches a limit within a time."""

    kind: Literal["forecast"]
    high: Number | None = Field(None, examples=[310])
    low: Number | None = Field(None, examples=[20])
    within_s: Span = Field(examples=[86_400])
    window_s: Span = Field(examples=[21_600])

    def condition(self) -> domain.Forecast:
        """Return the condition."""
        within, window = micros(self.within_s), micros(self.window_s)
        if self.high is not None:
            return domain.Forecast(domain.Side.HIGH, self.high, within, window)
        return domain.Forecast(domain.Side.LOW, self.low or 0.0, within, window)


class SystemRuleConfig(CommonConfig):
    """`kind = "system"`: other delays, priority or words for a built-in rule."""

    kind: Literal["system"]


AnyRuleConfig = RuleConfig | SystemRuleConfig

KINDS: Mapping[str, type[RuleConfig] | type[SystemRuleConfig]] = {
    "absolute": AbsoluteConfig,
    "deviation": DeviationConfig,
    "rate-of-change": RateOfChangeConfig,
    "discrepancy": DiscrepancyConfig,
    "bad-measurement": BadMeasurementConfig,
    "duty": DutyConfig,
    "forecast": ForecastConfig,
    "system": SystemRuleConfig,
}
