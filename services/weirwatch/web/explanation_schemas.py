"""The home of an explanation as the OpenAPI document shows it."""

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from weirwatch.domain.alarm import AlarmState, ServiceState
from weirwatch.web.schemas import Event, QualityWord, Reading, Time


class _Out(BaseModel):
    model_config = ConfigDict(extra="forbid", use_enum_values=True)


class Measurement(_Out):
    """The newest reading of the rule's channel, and the newest good one."""

    time: Time
    value: float
    quality: QualityWord
    reason: str
    age_s: float
    good_time: Time | None
    good_value: float | None
    silent_after_s: float | None = Field(description="A longer gap voids a running delay.")


class WhileTerm(_Out):
    """One term of the rule's `while`."""

    term: str
    holds: bool


class Delay(_Out):
    """The delay that runs."""

    kind: Literal["on-delay", "off-delay"]
    since: Time
    ends: Time
    left_s: float


class Cause(_Out):
    """A rule that suppresses this one while its alarm stands."""

    rule: str
    title: str
    stands: bool
    raised_at: Time | None


class Suppression(_Out):
    """What can keep it from being announced by design."""

    never: bool = Field(description="A bold failure: never suppressed.")
    causes: list[Cause]
    hold_off_left_s: float | None = Field(description="While no cause stands any more.")


class Service(_Out):
    """Its service state, since when, until when, and who brought it about."""

    state: ServiceState
    until: Time | None
    one_shot: bool = Field(description="Ends as soon as the alarm returns.")
    since: Time | None
    who: str | None
    comment: str


class Explanation(_Out):
    """Why one alarm is in its state."""

    id: str
    title: str
    kind: str
    channel: str | None
    at: Time
    state: AlarmState
    service_state: ServiceState
    raised_at: Time | None
    returned_at: Time | None
    present: bool = Field(description="The condition, before delays.")
    message: str
    limit: bool | float | str | None
    limit_text: str
    deadband: float | None
    unit: str
    measurement: Measurement | None
    while_: list[WhileTerm] = Field(alias="while")
    delay: Delay | None
    suppression: Suppression
    service: Service
    why: list[str] = Field(description="What it comes to, in sentences.")
    readings: list[Reading] = Field(description="The newest first.")
    events: list[Event] = Field(description="The newest first.")
