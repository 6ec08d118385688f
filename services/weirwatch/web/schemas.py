"""The home of the API's data as the OpenAPI document shows it: what goes out, what may come in.

Answers are made by `weirwatch.pipeline.queries`; a test holds both together field by field.
"""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, WithJsonSchema

from weirwatch.domain.alarm import AlarmState, ServiceState
from weirwatch.domain.failures import Group, Harmed, SignalWord
from weirwatch.domain.rule import Priority
from weirwatch.pipeline.access import Role

_TIME: dict[str, Any] = {"type": "string", "format": "date-time"}
Time = Annotated[str, WithJsonSchema(_TIME)]
Cursor = Annotated[str, Field(description="Hand it back as `cursor` for the next page.")]
QualityWord = Literal["good", "uncertain", "bad"]


class _Out(BaseModel):
    model_config = ConfigDict(extra="forbid", use_enum_values=True)


class Hazard(_Out):
    """What can hurt whom; signal words after ANSI Z535."""

    signal_word: SignalWord
    to: Harmed
    text: str


class Call(_Out):
    """Whom to call, and when."""

    who: str
    when: str


class SafetyCard(_Out):
    """What to know and do about one failure, in the order to read it."""

    failure: str
    title: str
    first_line: str
    meaning: str
    hazards: list[Hazard]
    check_first: list[str]
    response: list[str]
    call: list[Call]
    last_line: str
    sources: list[str]


class Device(_Out):
    """Where something that can fail is, and where its power and its water are cut off."""

    id: str
    title: str
    text: str = Field(description="All of it in a sentence.")
    place: str | None
    breaker: str | None
    rcd: str | None
    valve: str | None
    stop_cock: str | None


class Alarm(_Out):
    """Where one rule stands now."""

    id: str = Field(examples=["sump-level-high"])
    rule: str = Field(description="The same as `id`: one alarm per rule.")
    title: str
    channel: str | None = Field(description="Null for what the service watches of itself.")
    failure: str
    kind: str
    priority: Priority
    state: AlarmState
    service_state: ServiceState
    raised_at: Time | None
    returned_at: Time | None
    acknowledged_at: Time | None
    acknowledged_by: str | None
    check_in_at: Time | None = Field(description="When somebody on the way promised to report.")
    shelved_until: Time | None
    out_until: Time | None = Field(description="When it comes back into service by itself.")
    value: float | None = Field(description="Now, in `unit`; a switch is 0 or 1.")
    raised_value: float | None = Field(description="When it was raised.")
    unit: str
    limit: bool | float | str | None = Field(
        description="A number in `unit`, a switch's abnormal state, or a short text."
    )
    message: str
    response: str = Field(description="What to do, the safety card's fixed first line first.")
    forecast: Time | None = Field(description="When the limit is reached if it goes on so.")
    devices: list[Device] = Field(description="What it is about, as the keeper has told.")
    safety_card: SafetyCard | None


class Alarms(_Out):
    """The most urgent first."""

    items: list[Alarm]
    next: Cursor | None


class Event(_Out):
    """A transition, on record."""

    seq: int = Field(description="Place in commit order.")
    time: Time
    committed_at: Time
    kind: str
    rule: str | None
    channel: str | None
    from_: str | None = Field(alias="from")
    to: str | None
    service_from: str | None
    service_to: str | None
    value: float | None
    annunciated: bool = Field(description="It calls for a person.")
    who: str | None
    comment: str
    late: bool = Field(description="Decided on readings that arrived long after their own time.")
    drill: bool
    message: str


class Events(_Out):
    """In commit order."""

    items: list[Event]
    next: Cursor | None


class Channel(_Out):
    """One time series with its newest reading."""

    id: str = Field(examples=["harbour-hall/sump-node/level"])
    title: str
    system: str
    node: str
    vessel: str | None
    quantity: str
    unit: str = Field(description="SenML symbol or one of ours; empty for a switch.")
    expected_every_s: float | None
    silent_after_s: float | None
    valid: tuple[float, float] | None
    states: tuple[str, str] | None = Field(description="Of a switch: what 0 and 1 are called.")
    configured: bool = Field(description="False: only the history knows it.")
    time: Time | None
    value: float | None
    quality: QualityWord | None
    reason: str = Field(description="Why it is not good.")
    age_s: float | None


class Channels(_Out):
    """Configured ones first, in the order of the configuration file."""

    items: list[Channel]
    next: Cursor | None


class Bucket(_Out):
    """`[start, end)`; gaps have no bucket."""

    start: Time
    end: Time
    min: float
    mean: float = Field(description="Plain: each reading weighs the same.")
    max: float
    count: int
    first: float = Field(description="Value of the first reading.")
    last: float = Field(description="Value of the last reading.")
    time_mean: float | None = Field(
        None,
        description="Weighted by time; only with `weighted=true`. Null where readings are there no"
        " longer, or nothing of the bucket is covered.",
    )


class Series(_Out):
    """Good and uncertain readings in buckets of equal width."""

    channel: str
    unit: str
    from_: Time = Field(alias="from")
    to: Time
    items: list[Bucket]
    next: Cursor | None


class OneSeries(_Out):
    """The buckets of one of several channels."""

    channel: str
    unit: str
    items: list[Bucket]


class SeriesOfSeveral(_Out):
    """In the order they were asked for, all on the same edges of buckets."""

    from_: Time = Field(alias="from")
    to: Time
    items: list[OneSeries]
    next: Cursor | None


class Reading(_Out):
    """One value at one time."""

    time: Time
    value: float
    quality: QualityWord
    reason: str


class Readings(_Out):
    """In the order of their own times."""

    channel: str
    unit: str
    from_: Time = Field(alias="from")
    to: Time
    items: list[Reading]
    next: Cursor | None


class Vessel(_Out):
    """A vessel of the plant."""

    id: str
    title: str
    role: Literal["display", "refuge", "sump", "reservoir"]
    volume_l: float
    level_channel: str | None


class Node(_Out):
    """What a node last said of its connection."""

    id: str
    connected: bool
    since: Time
    power: str | None = Field(description="mains, battery, or null when unknown.")


class Standing(_Out):
    """Alarms of a system that are in service."""

    standing: int
    unacknowledged: int
    highest_priority: Priority | None


class System(_Out):
    """One plumbed body of water."""

    id: str
    title: str
    channels: int
    vessels: list[Vessel] = Field(description="In the order the water flows.")
    nodes: list[Node]
    alarms: Standing


class Systems(_Out):
    """In the order of the configuration file."""

    items: list[System]
    next: Cursor | None


class Failure(_Out):
    """One failure of the catalogue with its safety card."""

    id: str = Field(examples=["sump-high"])
    title: str
    group: Group
    bold: bool = Field(description="Never suppressed, digested or silenced.")
    default_priority: Priority
    safety_card: SafetyCard


class Failures(_Out):
    """In catalogue order."""

    items: list[Failure]
    next: Cursor | None


class Notice(_Out):
    """A message to a person and how its delivery stands."""

    seq: int
    id: str = Field(description="Stable over every retry and restart.")
    event_seq: int
    recipient: str
    created: Time
    text: str
    state: Literal["pending", "delivered", "given-up", "expired", "folded"]
    attempts: int
    next_try: Time | None
    delivered_at: Time | None
    last_error: str


class Notices(_Out):
    """Oldest first."""

    items: list[Notice]
    next: Cursor | None


class Token(_Out):
    """A token without its secret."""

    id: str = Field(examples=["abcd2345"])
    name: str = Field(description="Stands in the record with every command.")
    role: Role
    state: Literal["usable", "expired", "revoked"]
    created: Time
    expires: Time | None
    revoked: Time | None
    last_used: Time | None = Field(description="To the minute.")
    last_from: str | None


class Tokens(_Out):
    """All ever made, oldest first."""

    items: list[Token]
    next: Cursor | None


class Deed(_Out):
    """One thing that somebody did or tried."""

    seq: int
    time: Time
    who: str
    remote: str = Field(description="Address, or the control socket of this machine.")
    action: str = Field(examples=["acknowledge"])
    subject: str = Field(description="Rule or token it was about.")
    outcome: str = Field(description="done, or why not.")


class Deeds(_Out):
    """The newest first."""

    items: list[Deed]
    next: Cursor | None


class Health(BaseModel):
    """How the core is. More than these: broker, counts, web, for people to look at."""

    model_config = ConfigDict(extra="allow")

    status: Literal["ok", "degraded"]
    problems: list[str] = Field(description="One sentence each; empty when all is well.")
    not_in_force: str | None = Field(
        None, description="What the configuration file says that the service does not go by yet."
    )
    time: Time = Field(description="Service time now.")
    committed_at: Time | None = Field(description="When something was last made durable.")


class Alive(_Out):
    """The web process answers."""

    alive: Literal[True]
    core: bool = Field(description="The connection to the core stands.")


class ProblemPart(BaseModel):
    """One mistake of a request."""

    at: str = Field(examples=["query.points"])
    problem: str


class Problem(BaseModel):
    """An error (RFC 9457)."""

    type: str = Field(json_schema_extra={"format": "uri"})
    title: str
    status: int
    detail: str
    errors: list[ProblemPart] = Field(default=[], description="Each mistake, where there are any.")


# --- what may come in --------------------------------------------------------------------------

_LONGEST_MINUTES = 366 * 24 * 60
Minutes = Annotated[float, Field(gt=0, le=_LONGEST_MINUTES, allow_inf_nan=False)]


Comment = Annotated[str, Field(max_length=2000, examples=["Skimmer cup was full; emptied it."])]
