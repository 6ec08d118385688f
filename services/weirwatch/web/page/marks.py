"""Home of what is wrong with a channel's newest value: silent, bad, uncertain, never heard."""

from enum import StrEnum

from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Channel, Quality
from weirwatch.ports import Newest
from weirwatch.web.page import words


class Mark(StrEnum):
    """Why a value cannot be taken as it stands."""

    SILENT = "silent"
    BAD = "bad"
    UNCERTAIN = "uncertain"
    NEVER = "never"


def mark_of(channel: Channel, newest: Newest | None, now: Micros, lag: Micros) -> Mark | None:
    """Return what is wrong with a channel's newest value, silence first; None when nothing is.

    A reading may reach the page `lag` late without anything being wrong: it is shown when it is
    durable, not before.
    """
    if newest is None:
        return Mark.NEVER
    if channel.silent_after is not None and now - newest.time > channel.silent_after + lag:
        return Mark.SILENT
    if newest.quality is Quality.BAD:
        return Mark.BAD
    if newest.quality is Quality.UNCERTAIN:
        return Mark.UNCERTAIN
    return None


def mark_words(mark: Mark | None, newest: Newest | None, now: Micros, lag: Micros) -> str:
    """Return what is wrong with a value, or how old it is."""
    if newest is None or mark is Mark.NEVER:
        return "never reported"
    age = words.age_words(now - newest.time)
    if mark is None and now - newest.time < words.FRESH + lag:
        return words.JUST_NOW
    match mark:
        case Mark.SILENT:
            return f"silent, last {age}"
        case Mark.BAD | Mark.UNCERTAIN:
            reason = f": {newest.reason}" if newest.reason else ""
            return f"{mark.value}{reason}, {age}"
        case _:
            return age
