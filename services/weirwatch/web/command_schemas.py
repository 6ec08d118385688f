"""What the commands on alarms take, as pydantic models."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from weirwatch.web.schemas import Comment, Minutes

NotHere = Annotated[None, Field(description="Not for this command: null, or left out.")]


class _Body(BaseModel):
    """A misspelt key is an error; a number is a number, not text."""

    model_config = ConfigDict(extra="forbid", strict=True)

    comment: Comment = ""


class CommandBody(_Body):
    """A comment only."""

    minutes: NotHere = None
    check_in_minutes: NotHere = None


class AcknowledgeBody(_Body):
    """A comment, and when to hear again from somebody on the way."""

    minutes: NotHere = None
    check_in_minutes: Annotated[
        Minutes | None,
        Field(description="On my way: no word by then, and the next person is called."),
    ] = None


class ShelveBody(_Body):
    """A comment, and for how long."""

    minutes: Annotated[
        Minutes | None, Field(description="How long; left out: until the alarm has returned.")
    ] = None
    check_in_minutes: NotHere = None


class RemoveBody(_Body):
    """A comment that says why, and for how long."""

    minutes: Annotated[
        Minutes | None, Field(description="How long; left out: until it is put back.")
    ] = None
    check_in_minutes: NotHere = None


AnyBody = CommandBody | AcknowledgeBody | ShelveBody | RemoveBody
