"""The home of reports as the OpenAPI document shows them."""

from pydantic import BaseModel, ConfigDict, Field

from weirwatch.domain.alarm import ServiceState
from weirwatch.domain.rule import Priority
from weirwatch.web.schemas import Time


class _Out(BaseModel):
    model_config = ConfigDict(extra="forbid", use_enum_values=True)


class Metric(_Out):
    """One figure with its target and its limit, where there are any."""

    id: str
    title: str
    value: float
    unit: str = Field(
        description="`%`: the value is a share, 0 to 1; `s`: seconds; empty: a count."
    )
    target: float | None = Field(description="At most so much.")
    limit: float | None = Field(description="Beyond it the alarms can no longer be handled.")
    met: bool | None = Field(description="The target is met.")
    source: str


class AlarmFlood(_Out):
    """More than 10 annunciations in 10 minutes, until fewer than 5."""

    opened_at: Time
    closed_at: Time | None
    annunciations: int
    first: str = Field(description="Rule that was annunciated first.")


class Chattering(_Out):
    """Three annunciations of one rule within a minute."""

    rule: str
    title: str
    bursts: int
    most_in_a_minute: int


class Fleeting(_Out):
    """Stood for less than a minute, again and again."""

    rule: str
    title: str
    times: int


class Stale(_Out):
    """Stood for more than a day."""

    rule: str
    title: str
    since: Time
    until: Time | None
    hours: float


class BadActor(_Out):
    """One of the ten loudest rules."""

    rule: str
    title: str
    annunciations: int
    share: float


class PriorityShare(_Out):
    """How many alarms have one priority; built-in rules and bold failures are not configured."""

    priority: Priority
    configured: int
    configured_share: float
    target_share: float = Field(description="Of configured alarms (from memory).")
    annunciated: int
    annunciated_share: float


class Silenced(_Out):
    """Not in service now."""

    rule: str
    title: str
    service_state: ServiceState
    until: Time | None


class NoticeTest(_Out):
    """Whether the way of notices to everybody was tried of late."""

    last_full_at: Time | None = Field(description="Since when everybody has had a test.")
    due: bool = Field(description="That is more than 30 days ago.")
    reminder: str = Field(description="A sentence while it is due, else empty.")
    untested: list[str] = Field(description="Recipients that no test has ever reached.")


class Night(_Out):
    """Notices delivered between 22 and 7, in the keeper's time zone."""

    month: str = Field(examples=["2026-05"])
    woken: int
    nights: int


class AlarmReport(_Out):
    """How well the alarms serve over `[from, to)`."""

    from_: Time = Field(alias="from")
    to: Time
    days: float
    annunciations: int
    metrics: list[Metric]
    alarm_floods: list[AlarmFlood]
    chattering: list[Chattering]
    fleeting: list[Fleeting]
    stale: list[Stale]
    bad_actors: list[BadActor] = Field(description="The loudest first.")
    priorities: list[PriorityShare]
    notice_test: NoticeTest
    silenced: list[Silenced]
    nights: list[Night]
