"""The home of planned work as the OpenAPI document shows it."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from weirwatch.web.schemas import Comment, Minutes, Time


class _Out(BaseModel):
    model_config = ConfigDict(extra="forbid")


class PlannedWork(_Out):
    """One planned work and how it stands."""

    id: str = Field(examples=["feeding-pause"])
    title: str
    minutes: float
    calibrates: list[str] = Field(
        description="Channels whose readings are uncertain while it is under way."
    )
    settle_s: float = Field(description="From its end to its check.")
    rules: list[str] = Field(description="What it shelves.")
    check: list[str] = Field(description="What holds when all is back to normal.")
    state: Literal["idle", "under-way", "settling", "not-back-to-normal"]
    who: str | None
    comment: str
    started_at: Time | None
    ends_at: Time | None
    check_at: Time | None = Field(description="When it is checked; its alarms are back then.")
    shelved: list[str] = Field(description="What it has shelved this time.")
    unmet: list[str] = Field(description="What the last check found, one sentence each.")


class PlannedWorks(_Out):
    """In the order of the configuration file."""

    items: list[PlannedWork]
    next: str | None


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)

    comment: Comment = ""


class StartBody(_Body):
    """Which one, and for how long."""

    id: Annotated[str, Field(max_length=200, examples=["feeding-pause"])]
    minutes: Annotated[Minutes | None, Field(description="Its own if left out.", examples=[10])] = (
        None
    )


class EndBody(_Body):
    """A comment only."""
