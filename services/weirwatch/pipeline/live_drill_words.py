"""What people are told of a live drill: that it begins, that it is over, that it is under way."""

from collections.abc import Callable, Mapping, Sequence
from zoneinfo import ZoneInfo

from weirwatch.domain.calls import Why
from weirwatch.domain.instant import Micros, from_rfc3339
from weirwatch.domain.routing import notice_id
from weirwatch.pipeline.local_time import clock_time
from weirwatch.pipeline.notice_text import fitted
from weirwatch.ports import Notice
from weirwatch.settings import Settings

Write = Callable[[int, Micros], Sequence[Notice]]  # from an event's number and the time


def begin_notices(settings: Settings, title: str, who: str, ends: Micros) -> Write:
    """Return what writes the notice to each recipient when a drill begins."""
    until = clock_time(ends, settings.service.time_zone)
    lines = [
        f"DRILL begins, nothing is wrong: {title}, until {until} at the latest",
        f"{who or 'Somebody'} plays it on a simulated plant. Until the drill is over, what begins "
        "with DRILL is not real; what does not is real.",
        "Answer as you would, but touch no equipment for it.",
    ]
    return _for_everybody(settings, lines)


def over_notices(settings: Settings, why: str, *, alarm: bool) -> Write:
    """Return what writes them when it is over; `alarm`: a real one has ended it."""
    first = f"DRILL ENDED by a real alarm: {why}" if alarm else f"DRILL over: {why}"
    rest = "What comes from now on is real."
    return _for_everybody(settings, [first, rest])


def _for_everybody(settings: Settings, lines: list[str]) -> Write:
    texts = {who.id: fitted(list(lines), "", who.longest, None) for who in settings.recipients}

    def write(seq: int, now: Micros) -> list[Notice]:
        payload = {"event": seq, "why": Why.DRILL.value, "drill": True}
        return [
            Notice(notice_id(seq, recipient), seq, recipient, now, text, payload)
            for recipient, text in texts.items()
        ]

    return write


def drill_sentence(facts: object, zone: ZoneInfo) -> str:
    """Return the drill of a health document as a sentence; empty when none is under way."""
    if not isinstance(facts, Mapping):
        return ""
    until = clock_time(from_rfc3339(str(facts["ends_at"])), zone)
    return (
        f"A DRILL is under way until {until} at the latest ({facts['failure']}): "
        "notices that begin with DRILL are not real"
    )
