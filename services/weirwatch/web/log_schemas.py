"""The home of the keeper's log as the OpenAPI document shows it."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from weirwatch.web.schemas import Cursor, Time

Number = Annotated[float, Field(ge=-1e12, le=1e12, allow_inf_nan=False)]
Word = Annotated[str, Field(max_length=200)]


class Photo(BaseModel):
    """A photo that goes with an entry, without its bytes."""

    model_config = ConfigDict(extra="forbid")

    number: int
    entry: int
    added_at: Time
    who: str | None
    media_type: Literal["image/jpeg", "image/png", "image/webp"]
    bytes: int
    sha256: str


class LogEntry(BaseModel):
    """One entry of the keeper's log; a correction is an entry of its own."""

    model_config = ConfigDict(extra="forbid")

    number: int
    time: Time = Field(description="When it was done.")
    recorded_at: Time
    kind: str
    system: str
    subject: str | None
    value: float | None
    unit: str
    given: str = Field(description="Number and unit as they were written.")
    channel: str | None
    detail: dict[str, Any] = Field(description="What follows from it, by kind: docs/log.md.")
    text: str
    who: str | None
    replaces: int | None
    replaced_by: int | None
    photos: list[Photo]


class LogEntries(BaseModel):
    """A page of the log."""

    model_config = ConfigDict(extra="forbid")

    items: list[LogEntry]
    next: Cursor | None


class LogBody(BaseModel):
    """What the keeper writes."""

    model_config = ConfigDict(extra="forbid")

    kind: Word = Field(examples=["test"])
    time: Word | None = Field(None, description="RFC 3339; now if left out.")
    system: Word | None = None
    subject: Word | None = Field(None, examples=["alkalinity"])
    value: Number | None = Field(None, examples=[8.2])
    unit: Word | None = Field(None, examples=["dKH"])
    strength_g_l: Number | None = None
    effluent_dkh: Number | None = None
    before: Number | None = None
    daily: bool | None = None
    fresh: dict[str, Number] | None = Field(None, max_length=10)
    channel: Word | None = None
    points: list[tuple[Number, Number]] | None = Field(None, max_length=10)
    temperature_degc: Number | None = None
    text: Annotated[str, Field(max_length=4000)] | None = None
    who: Word | None = None
    replaces: Annotated[int, Field(ge=1, le=2**53)] | None = None
    sure: bool | None = None
